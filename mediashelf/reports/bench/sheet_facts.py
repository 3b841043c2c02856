"""What the run sheet says of one disc, and of what was found about it and the machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from mediashelf.findings import Severity
from mediashelf.sessions.discs import dos_steps
from mediashelf.sessions.discs.readiness import BRING_MARK, BenchPlace, readiness_rows
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.parts import BootWay, OpenFinding, Origin
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.text import count_text, size_text

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


AT_THE_BENCH = {
    dos_steps.RULE: BenchPlace.SYSTEM,
    "boot-fits-firmware": BenchPlace.SYSTEM,
    "first-disc-boots": BenchPlace.SYSTEM,
    **{row.rule: row.at_bench for row in readiness_rows() if row.at_bench},
}
"""The rules whose findings the person at the bench can act on, and where; others stay at the desk.
"""


class SheetFinding(Struct, frozen=True):
    """Something to act on at the bench; its source is in ``plan show`` and in the manifest."""

    severity: str
    message: str
    remedy: str

    @property
    def is_urgent(self) -> bool:
        """Whether it is more than a note."""
        return self.severity != Severity.NOTE.word

    @property
    def action(self) -> str:
        """What to do, as a sentence begins; what was found where nothing is to be done."""
        return _sentence(self.remedy or self.message)

    @property
    def reason(self) -> str:
        """Why, where that is not the action itself."""
        return _sentence(self.message) if self.remedy else ""


class SheetDisc(Struct, frozen=True):
    """What the sheet adds to a disc of the manifest; ``facts`` are pairs of name and text."""

    disc: ManifestDisc
    facts: tuple[tuple[str, str], ...]

    @property
    def title(self) -> str:
        """The label, or the file's name on the card."""
        return self.disc.label or self.disc.path


class SheetFile(Struct, frozen=True):
    """One image file with the positions at which it is presented."""

    positions: str
    code: str
    path: str
    size: int
    sha256: str


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def sheet_disc(disc: ManifestDisc) -> SheetDisc:
    """Return what the sheet says of a disc."""
    return SheetDisc(disc, tuple(_facts(disc)))


def bench_findings(
    rows: Sequence[OpenFinding], system: str, place: BenchPlace = BenchPlace.SYSTEM
) -> Iterator[SheetFinding]:
    """Yield what there is to act on at one place for one system; empty: for several of them.

    What is the same for several systems is told once, before all of them, and named with
    them; at an installer it is told to each.
    """
    for alike in _by_message(row for row in rows if AT_THE_BENCH.get(row.rule) is place):
        names = [row.target for row in alike]
        if place is BenchPlace.INSTALLER:
            if system in names:
                yield _sheet_finding(alike[0])
        elif system == (names[0] if len(names) == 1 else ""):
            yield _sheet_finding(alike[0], names if len(names) > 1 else ())


def partition_findings(rows: Sequence[OpenFinding]) -> Iterator[SheetFinding]:
    """Yield what there is to act on when partitions are made, each with its systems."""
    for alike in _by_message(
        row for row in rows if AT_THE_BENCH.get(row.rule) is BenchPlace.PARTITIONS
    ):
        yield _sheet_finding(alike[0], [row.target for row in alike if row.target])


def _by_message(rows: Iterable[OpenFinding]) -> list[list[OpenFinding]]:
    groups: dict[tuple[str, str], list[OpenFinding]] = {}
    for row in rows:
        groups.setdefault((row.rule, row.message), []).append(row)
    return list(groups.values())


def _sheet_finding(row: OpenFinding, systems: Sequence[str] = ()) -> SheetFinding:
    told = f"{row.message} ({', '.join(systems)})" if systems else row.message
    # What to put on a disc is for the desk.
    return SheetFinding(row.severity, told, row.remedy.partition(BRING_MARK)[0])


def sheet_files(manifest: Manifest) -> Iterator[SheetFile]:
    """Yield every image once."""
    for disc in manifest.discs:
        if disc.repeats is None:
            uses = [str(one.position) for one in manifest.discs if one.path == disc.path]
            yield SheetFile(", ".join(uses), disc.code, disc.path, disc.size, disc.digests.sha256)


def _facts(disc: ManifestDisc) -> Iterator[tuple[str, str]]:
    repeated = f"disc {disc.repeats} again, " if disc.repeats else ""
    files = count_text(disc.contents.files, "file")
    yield "File", f"{repeated}{disc.path}, {size_text(disc.size)}, {files} inside"
    if disc.after:
        yield "Only after", ", ".join(f"disc {position}" for position in disc.after)
    if disc.boot:
        yield "Starts", "; ".join(_boot_text(way) for way in disc.boot)
    if disc.presentation == "disk":
        yield "Drive", "the machine sees a read-only USB disk, not a CD-ROM drive"
    if not disc.servable:
        yield "Do not use", _cut_text(disc)
    made = _origin_text(disc.origin)
    if made:
        yield "Made of", made
    failed = [target for target in disc.targets if target not in disc.passed]
    if failed:
        yield "Errors for", f"{', '.join(failed)} (mediashelf plan show tells which)"
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


def _cut_text(disc: ManifestDisc) -> str:
    if not disc.served_blocks:
        return "the emulator refuses this image"
    whole = disc.size // disc.block_size
    return f"the emulator serves {disc.served_blocks:,} of {whole:,} blocks; the rest is missing"
