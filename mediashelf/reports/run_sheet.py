"""The run sheet: what the person at the bench does, disc by disc, on paper or a phone.

Everything on it comes from the card's manifest, so that it can be made again
from the card alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mediashelf.reports.pages import render_page
from mediashelf.sessions.manifest_values import BootWay, Manifest, ManifestDisc, OpenFinding
from mediashelf.text import count_text, size_text, wrap

TEXT_WIDTH = 79  # a line of 80 makes some printers and terminals add an empty one
_NOTE_LINES = 2
_TOP_NAMES = 12

_METHODS = {
    "no-emulation": "without emulation",
    "floppy-1.2MB": "as a 1.2 MB floppy",
    "floppy-1.44MB": "as a 1.44 MB floppy",
    "floppy-2.88MB": "as a 2.88 MB floppy",
    "hard-disk": "as a hard disk",
    "unknown": "in a way that is not known here",
}
_PLATFORMS = {
    "x86": "PC BIOS",
    "efi": "UEFI",
    "mac": "Macintosh",
    "powerpc": "PowerPC",
    "unknown": "firmware not known here",
}


@dataclass(frozen=True, slots=True)
class SheetStep:
    """One disc as the person sees it; ``facts`` are pairs of name and text."""

    position: int
    title: str
    purpose: str
    facts: tuple[tuple[str, str], ...]
    watch: tuple[OpenFinding, ...]


@dataclass(frozen=True, slots=True)
class SheetFile:
    """One image file with the positions at which it is presented."""

    positions: str
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
    before: tuple[OpenFinding, ...]
    steps: tuple[SheetStep, ...]
    stuck: tuple[str, ...]
    files: tuple[SheetFile, ...]


def run_sheet(manifest: Manifest) -> RunSheet:
    """Return what the run sheet of a card says."""
    return RunSheet(
        name=manifest.session.name,
        machine=manifest.session.machine,
        created=manifest.created.replace("T", " ").replace("Z", " UTC"),
        created_by=manifest.created_by,
        size=sum(image.size for image in manifest.images),
        cautions=tuple(_cautions(manifest)),
        before=manifest.open_findings,
        steps=tuple(_step(disc) for disc in manifest.discs),
        stuck=_STUCK,
        files=tuple(_files(manifest)),
    )


def sheet_html(manifest: Manifest) -> str:
    """Return the run sheet as one self-contained HTML page for paper and phone."""
    return render_page("run-sheet.html", sheet=run_sheet(manifest))


def sheet_text(manifest: Manifest) -> str:
    """Return the run sheet as plain text, at most 79 columns wide."""
    return "\n".join(line.rstrip() for line in _text_lines(run_sheet(manifest))) + "\n"


_STUCK = (
    "Eject the disc from the machine's own system or installer, then swap it.",
    "If the emulator says that the door is locked, close whatever reads the disc and try again.",
    "A forced eject is for a machine that hangs or is switched off: a machine that is "
    "reading loses the disc under its hands.",
)


def _cautions(manifest: Manifest) -> Iterator[str]:
    starting = [str(disc.position) for disc in manifest.discs if disc.boot]
    if starting:
        which = f"Disc {starting[0]} starts" if len(starting) == 1 else _several(starting)
        yield (
            f"{which} the machine and may erase its disks without asking twice. Disconnect every "
            "disk that you want to keep. After the first restart, change the disc or boot order."
        )
    else:
        yield "Programs on discs may erase disks. Disconnect every disk that you want to keep."
    yield (
        "Switch off and pull the mains plug before you open the machine or change a part. "
        "Leave power supplies and screens closed: they hold a charge after the plug is out. "
        "Work on the mains is for licensed people; follow your local electrical rules."
    )
    yield "Take the card out, or put it in, only while the emulator has no power."
    yield "Use only images and licences that you own."


def _several(positions: list[str]) -> str:
    return f"Discs {', '.join(positions[:-1])} and {positions[-1]} start"


def _step(disc: ManifestDisc) -> SheetStep:
    return SheetStep(
        position=disc.position,
        title=disc.label or disc.path,
        purpose=disc.purpose,
        facts=tuple(_facts(disc)),
        watch=tuple(row for row in disc.open_findings if row.severity != "note"),
    )


def _facts(disc: ManifestDisc) -> Iterator[tuple[str, str]]:
    repeated = f"disc {disc.repeats} again, " if disc.repeats else ""
    yield "File", f"{repeated}{disc.path}, {size_text(disc.size)}"
    if disc.after:
        yield "Only after", ", ".join(f"disc {position}" for position in disc.after)
    yield "Starts", "; ".join(_boot_text(way) for way in disc.boot) or "no, it does not boot"
    if disc.expect:
        yield "Expect", disc.expect
    failed = [target for target in disc.targets if target not in disc.passed]
    if disc.passed:
        yield "Passed for", ", ".join(disc.passed)
    if failed:
        yield "NOT passed for", ", ".join(failed)
    if disc.contents.files or disc.contents.folders:
        counts = (
            f"{count_text(disc.contents.files, 'file')}, "
            f"{count_text(disc.contents.folders, 'folder')}"
        )
        more = ", …" if len(disc.contents.top) > _TOP_NAMES else ""
        names = ", ".join(disc.contents.top[:_TOP_NAMES]) + more
        yield "Inside", f"{counts}: {names}" if names else counts
    if disc.confirmed != "device":
        yield (
            "Copy",
            "confirmed, but maybe from memory and not from the card: check the card on the board",
        )


def _boot_text(way: BootWay) -> str:
    return f"{_METHODS[way.method]} ({_PLATFORMS[way.platform]})"


def _files(manifest: Manifest) -> Iterator[SheetFile]:
    for image in manifest.images:
        positions = [str(disc.position) for disc in manifest.discs if disc.path == image.path]
        yield SheetFile(", ".join(positions), image.path, image.size, image.digests.sha256)


def _text_lines(sheet: RunSheet) -> Iterator[str]:
    yield from wrap(f"RUN SHEET: {sheet.name}", TEXT_WIDTH)
    if sheet.machine:
        yield from wrap(f"Machine: {sheet.machine}", TEXT_WIDTH)
    yield f"{count_text(len(sheet.steps), 'step')}, {size_text(sheet.size)} on the card"
    yield f"Prepared {sheet.created}"
    yield ""
    yield from _text_caution(sheet)
    if sheet.before:
        yield from _text_heading("Before the first disc")
        yield from _text_findings(sheet.before, "")
    yield from _text_heading("Disc by disc")
    for step in sheet.steps:
        yield from _text_step(step)
    yield from _text_heading("When the drive does not let go")
    for number, line in enumerate(sheet.stuck, start=1):
        yield from wrap(line, TEXT_WIDTH, lead=f"{number}. ")
    yield ""
    yield from _text_heading("The files")
    for file in sheet.files:
        yield from wrap(f"disc {file.positions}: {file.path}, {file.size:,} bytes", TEXT_WIDTH)
        yield f"  sha256 {file.sha256}"
    yield ""
    yield from wrap(f"Made by {sheet.created_by} from the card's manifest.", TEXT_WIDTH)


def _text_caution(sheet: RunSheet) -> Iterator[str]:
    frame = "*" * TEXT_WIDTH
    yield frame
    yield "* CAUTION"
    for line in sheet.cautions:
        yield from wrap(line, TEXT_WIDTH, lead="* - ", rest="*   ")
    yield frame
    yield ""


def _text_heading(text: str) -> Iterator[str]:
    yield text
    yield "=" * len(text)
    yield ""


def _text_step(step: SheetStep) -> Iterator[str]:
    yield "-" * TEXT_WIDTH
    yield from wrap(step.title, TEXT_WIDTH, lead=f"[ ] {step.position:>2}  ")
    inside = " " * 8
    if step.purpose:
        yield from wrap(step.purpose, TEXT_WIDTH, lead=inside)
    yield ""
    for name, text in step.facts:
        yield from wrap(text, TEXT_WIDTH, lead=f"{inside}{name + ':':<15} ")
    if step.watch:
        yield ""
        yield f"{inside}Watch for"
        yield from _text_findings(step.watch, inside)
    yield ""
    yield f"{inside}[ ] did not work; notes:"
    for _ in range(_NOTE_LINES):
        yield ""
        yield inside + "_" * (TEXT_WIDTH - len(inside))
    yield ""


def _text_findings(rows: tuple[OpenFinding, ...], inside: str) -> Iterator[str]:
    for row in rows:
        more = f", and {count_text(row.count - 1, 'more place')}" if row.count > 1 else ""
        target = f"; for {row.target}" if row.target else ""
        text = f"{row.severity.upper()}: {row.message} ({row.where}{more}{target})"
        yield from wrap(text, TEXT_WIDTH, lead=f"{inside}- ", rest=f"{inside}  ")
        if row.remedy:
            yield from wrap(f"To do: {row.remedy}", TEXT_WIDTH, lead=f"{inside}  ")
        if row.source:
            yield from wrap(f"Source: {row.source}", TEXT_WIDTH, lead=f"{inside}  ")
    yield ""
