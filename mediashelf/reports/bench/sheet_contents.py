"""All that the run sheet says: cautions, the machine, what is to be known before, the chapters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from mediashelf.reports.bench.sheet_chapters import (
    SheetChapter,
    SheetDevice,
    before_first_disc,
    chapters_of,
)
from mediashelf.reports.bench.sheet_facts import SheetFile, SheetFinding, sheet_files
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.plans.machine import MachinePart, PlannedMachine
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.plans.steps import PlanStep
from mediashelf.text import moment_text

_STUCK = (
    "Eject the disc from the machine's own system or installer, then swap it.",
    "If the emulator says that the door is locked, close the program that reads the disc, "
    "and try again.",
    "A forced eject is for a machine that hangs or is switched off: a machine that is "
    "reading gets read errors.",
    "If the drive is empty after the board restarted: a disc that may erase never comes back "
    "by itself. Choose the disc at the emulator.",
)

_USB_BOOT = {
    True: "starts from USB drives",
    False: "does not start from USB drives",
    None: "",
}

_KEEP = "Disconnect every disk whose data you want to keep."


class RunSheet(Struct, frozen=True):
    """All that the sheet says, in the order in which it says it."""

    name: str
    machine: str
    about_machine: str
    notes: str
    created: str
    created_by: str
    size: int
    disc_count: int
    cautions: tuple[str, ...]
    settings: tuple[str, ...]
    parts: tuple[MachinePart, ...]
    before: tuple[SheetFinding, ...]
    steps: tuple[PlanStep, ...]
    chapters: tuple[SheetChapter, ...]
    stuck: tuple[str, ...]
    files: tuple[SheetFile, ...]
    example_code: str


def run_sheet(
    manifest: Manifest, plan: SessionPlan | None = None, devices: Sequence[SheetDevice] = ()
) -> RunSheet:
    """Return what the run sheet of a card says.

    The manifest alone is enough for the discs; the plan adds the machine, the steps and
    the order of the systems, and ``devices`` where their drivers are.
    """
    machine = plan.machine if plan is not None else PlannedMachine(manifest.session.machine)
    steps = plan.steps if plan is not None else ()
    return RunSheet(
        name=manifest.session.name,
        machine=manifest.session.machine,
        about_machine=about_machine(machine),
        notes=machine.notes,
        created=moment_text(manifest.created),
        created_by=manifest.created_by,
        size=sum(image.size for image in manifest.images),
        disc_count=len(manifest.discs),
        cautions=tuple(_cautions(manifest)),
        settings=machine.settings,
        parts=machine.parts,
        before=tuple(before_first_disc(manifest.open_findings, steps)),
        steps=tuple(step for step in steps if not (step.system or step.position)),
        chapters=tuple(chapters_of(manifest, plan, steps, devices)),
        stuck=_STUCK,
        files=tuple(sheet_files(manifest)),
        example_code=manifest.discs[0].code,
    )


def _cautions(manifest: Manifest) -> Iterator[str]:
    erasing = [str(disc.position) for disc in manifest.discs if disc.erases]
    if erasing:
        which = f"Disc {erasing[0]} starts" if len(erasing) == 1 else _several(erasing)
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
    yield (
        "Memory and cards are destroyed by static electricity: wear a wrist strap, or touch the "
        "bare metal of the case before and while you handle them."
    )
    yield (
        "Feed the emulator's board from one supply only: from the PC's port or from its own. Two "
        "at once can drive current into the PC."
    )
    yield "Insert or remove the card only while the emulator is switched off."
    yield "Use images of discs that you own, with valid licences."


def _several(positions: list[str]) -> str:
    return f"Discs {', '.join(positions[:-1])} and {positions[-1]} start"


def about_machine(machine: PlannedMachine) -> str:
    """Return what the plan says of a machine in one line."""
    words = [
        machine.processor,
        f"{machine.memory_text} of memory" if machine.memory else "",
        f"disk of {machine.disk_text}" if machine.disk else "",
        f"controller in {machine.disk_mode.upper()} mode" if machine.disk_mode else "",
        {"bios": "PC BIOS", "uefi": "UEFI"}.get(machine.firmware, ""),
        _USB_BOOT[machine.usb_boot],
    ]
    return ", ".join(word for word in words if word)
