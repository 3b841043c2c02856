"""What the run sheet of a card says, from its manifest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from mediashelf.reports.disc.areas import DrawnArea, Tile, lay_tiles
from mediashelf.sessions.discs import dos_steps
from mediashelf.sessions.manifests.parts import (
    BootWay,
    Contents,
    InnerShare,
    OpenFinding,
    Origin,
    SpaceShare,
)
from mediashelf.sessions.manifests.values import Manifest, ManifestDisc
from mediashelf.text import count_text, size_text

DRAWING_SIZE = (300, 132)
"""Width and height in units of the drawing of a disc's contents."""

_TOP_NAMES = 12
_KEPT_TOGETHER = 2  # rows to watch for with which a disc still fits well on one page

_METHODS = {
    "no-emulation": "without emulation",
    "floppy-1.2MB": "as a 1.2 MB floppy",
    "floppy-1.44MB": "as a 1.44 MB floppy",
    "floppy-2.88MB": "as a 2.88 MB floppy",
    "hard-disk": "as a hard disk",
    "unknown": "by an unknown method",
}
_PLATFORMS = {
    "x86": "PC BIOS",
    "efi": "UEFI",
    "mac": "Macintosh",
    "powerpc": "PowerPC",
    "unknown": "unknown firmware",
}


@dataclass(frozen=True, slots=True)
class SheetFinding:
    """Something to act on; ``where`` may be empty, and ``extent``: how often, for whom."""

    severity: str
    where: str
    message: str
    extent: str
    remedy: str
    source: str


@dataclass(frozen=True, slots=True)
class SheetDisc:
    """What the sheet adds to a disc of the manifest; ``facts`` are pairs of name and text.

    ``inside`` counts what the disc holds, ``top_names`` are the names that one sees
    first, and ``tiles`` draw it; all may be empty.
    """

    disc: ManifestDisc
    facts: tuple[tuple[str, str], ...]
    inside: str
    top_names: str
    tiles: tuple[Tile, ...]
    watch: tuple[SheetFinding, ...]

    @property
    def title(self) -> str:
        """The label, or the file's name on the card."""
        return self.disc.label or self.disc.path

    @property
    def is_long(self) -> bool:
        """Whether the disc may be divided between two pages."""
        return len(self.watch) > _KEPT_TOGETHER


@dataclass(frozen=True, slots=True)
class SheetFile:
    """One image file with the positions at which it is presented."""

    positions: str
    code: str
    path: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class RunSheet:
    """All that the sheet says, in the order in which it says it."""

    name: str
    machine: str
    created: str
    created_by: str
    size: int
    cautions: tuple[str, ...]
    before: tuple[SheetFinding, ...]
    discs: tuple[SheetDisc, ...]
    stuck: tuple[str, ...]
    files: tuple[SheetFile, ...]
    example_code: str


def run_sheet(manifest: Manifest) -> RunSheet:
    """Return what the run sheet of a card says."""
    return RunSheet(
        name=manifest.session.name,
        machine=manifest.session.machine,
        created=manifest.created.replace("T", " ").replace("Z", " UTC"),
        created_by=manifest.created_by,
        size=sum(image.size for image in manifest.images),
        cautions=tuple(_cautions(manifest)),
        before=tuple(_finding(row, _place(row.where)) for row in manifest.open_findings),
        discs=tuple(_disc(disc) for disc in manifest.discs),
        stuck=_STUCK,
        files=tuple(_files(manifest)),
        example_code=manifest.discs[0].code,
    )


_STUCK = (
    "Eject the disc from the machine's own system or installer, then swap it.",
    "If the emulator says that the door is locked, close the program that reads the disc, "
    "and try again.",
    "A forced eject is for a machine that hangs or is switched off: a machine that is "
    "reading gets read errors.",
)


_KEEP = "Disconnect every disk whose data you want to keep."


def _cautions(manifest: Manifest) -> Iterator[str]:
    starting = [str(disc.position) for disc in manifest.discs if disc.boot]
    if starting:
        which = f"Disc {starting[0]} starts" if len(starting) == 1 else _several(starting)
        yield (
            f"{which} the machine and may erase its disks without a second warning. "
            f"{_KEEP} After the first restart, change the disc or boot order."
        )
    else:
        yield f"Programs on discs may erase disks. {_KEEP}"
    yield (
        "Switch off and pull the mains plug before you open the machine or change a part. "
        "Leave power supplies and screens closed: they stay charged after the plug is out. "
        "Work on the mains is for licensed people; follow your local electrical rules."
    )
    yield "Insert or remove the card only while the emulator is switched off."
    yield "Use images of discs that you own, with valid licences."


def _several(positions: list[str]) -> str:
    return f"Discs {', '.join(positions[:-1])} and {positions[-1]} start"


def _disc(disc: ManifestDisc) -> SheetDisc:
    contents = disc.contents
    is_empty = not (contents.files or contents.folders)
    counts = f"{count_text(contents.files, 'file')}, {count_text(contents.folders, 'folder')}"
    more = ", …" if len(contents.top) > _TOP_NAMES else ""
    return SheetDisc(
        disc=disc,
        facts=tuple(_facts(disc)),
        inside="" if is_empty else counts,
        top_names=", ".join(contents.top[:_TOP_NAMES]) + more,
        tiles=tuple(_tiles(contents)),
        watch=tuple(
            _finding(row, row.where if row.where.startswith("/") else "")
            for row in disc.open_findings
            if row.severity != "note"
        ),
    )


def _place(where: str) -> str:
    """Return where something is, unless the message says it: of the machine, or the card."""
    return "" if where.startswith("[") or where in ("the machine", "the card") else where


def _finding(row: OpenFinding, where: str) -> SheetFinding:
    """Return a row for the sheet; a path of the library at home means nothing at the bench."""
    more = f"and {count_text(row.count - 1, 'more place')}" if row.count > 1 else ""
    target = f"for {row.target}" if row.target else ""
    extent = ", ".join(word for word in (more, target) if word)
    return SheetFinding(row.severity, where, row.message, extent, row.remedy, row.source)


def _facts(disc: ManifestDisc) -> Iterator[tuple[str, str]]:
    repeated = f"disc {disc.repeats} again, " if disc.repeats else ""
    yield "File", f"{repeated}{disc.path}, {size_text(disc.size)}"
    if disc.after:
        yield "Only after", ", ".join(f"disc {position}" for position in disc.after)
    yield "Starts", "; ".join(_boot_text(way) for way in disc.boot) or "no, it does not boot"
    for row in disc.open_findings:
        if row.rule == dos_steps.RULE and row.severity == "note":
            yield "DOS prompt", row.message
    made = _origin_text(disc.origin)
    if made:
        yield "Made of", made
    failed = [target for target in disc.targets if target not in disc.passed]
    if disc.passed:
        yield "Checked for", ", ".join(disc.passed)
    if failed:
        yield "Errors for", ", ".join(failed)
    if disc.confirmed != "device":
        yield (
            "Copy",
            "verified, but perhaps from the system's cache: check the card again on the board",
        )


def _boot_text(way: BootWay) -> str:
    return f"{_METHODS[way.method]} ({_PLATFORMS[way.platform]})"


def _origin_text(origin: Origin) -> str:
    """Say what the image was made of, unless it is a plain copy or was built."""
    padding = f"{size_text(origin.padding)} of zeros after it" if origin.padding else ""
    if origin.how == "converted":
        return f"the data track of {origin.name}" + (f", and {padding}" if padding else "")
    return f"{origin.name}, with {padding}" if padding else ""


def _tiles(contents: Contents) -> list[Tile]:
    root = DrawnArea("", "/", True)
    _add_areas(root, contents.areas)
    return lay_tiles(root, *DRAWING_SIZE) if root.by_size() else []


def _add_areas(folder: DrawnArea, areas: Iterable[SpaceShare | InnerShare]) -> None:
    for number, area in enumerate(areas):
        is_folder = area.name.endswith("/") and bool(area.inside)
        name = area.name or f"{area.files:,} more"
        # Numbered, because names of a manifest from elsewhere need not differ.
        child = DrawnArea(name.removesuffix("/") if is_folder else name, name, is_folder, area.size)
        child.file_count = area.files
        _add_areas(child, area.inside if is_folder else ())
        folder.children[f"{number} {name}"] = child


def _files(manifest: Manifest) -> Iterator[SheetFile]:
    for disc in manifest.discs:
        if disc.repeats is None:
            uses = [str(one.position) for one in manifest.discs if one.path == disc.path]
            yield SheetFile(", ".join(uses), disc.code, disc.path, disc.size, disc.digests.sha256)
