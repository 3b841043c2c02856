"""The run sheet in the order in which hands work: cautions, the machine, then system by system."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from mediashelf.reports.bench.sheet_facts import (
    SheetDisc,
    SheetFile,
    SheetFinding,
    bench_findings,
    partition_findings,
    sheet_disc,
    sheet_files,
)
from mediashelf.sessions.discs.readiness import BenchPlace
from mediashelf.sessions.manifests.parts import OpenFinding
from mediashelf.sessions.manifests.values import Manifest, ManifestDisc
from mediashelf.sessions.plans.machine import MachinePart, PlannedMachine
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.plans.steps import PlanStep
from mediashelf.text import moment_text

NO_SYSTEM = "no system"


class SheetDevice(Struct, frozen=True):
    """Where a system finds the driver of one device.

    ``where`` is its place in the machine; ``folder`` is what to point the system at,
    empty where there is none; ``state`` is empty when the driver is whole.
    """

    system: str
    device: str
    where: str
    folder: str
    state: str


class SheetItem(Struct, frozen=True):
    """A disc or a step, in its place; exactly one of them is set.

    ``is_again`` tells that a chapter before has the disc's facts.
    """

    disc: SheetDisc | None = None
    step: PlanStep | None = None
    watch: tuple[SheetFinding, ...] = ()
    is_again: bool = False


_Placed = tuple[tuple[int, int, int], SheetItem]
"""An item after its place in the order of use: the disc's position, before or after it, which."""


class SheetChapter(Struct, frozen=True):
    """What there is to do for one system; ``watch`` is to be known before it begins."""

    title: str
    watch: tuple[SheetFinding, ...]
    items: tuple[SheetItem, ...]
    devices: tuple[SheetDevice, ...]

    @property
    def positions(self) -> str:
        """The discs of the chapter, for the list of systems."""
        numbers = [str(item.disc.disc.position) for item in self.items if item.disc]
        word = "disc " if len(numbers) == 1 else "discs "
        return word + ", ".join(numbers) if numbers else ""


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
        before=tuple(_before(manifest.open_findings, steps)),
        steps=tuple(step for step in steps if not (step.system or step.position)),
        chapters=tuple(_chapters(manifest, plan, steps, devices)),
        stuck=_STUCK,
        files=tuple(sheet_files(manifest)),
        example_code=manifest.discs[0].code,
    )


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


def _chapters(
    manifest: Manifest,
    plan: SessionPlan | None,
    steps: Sequence[PlanStep],
    devices: Sequence[SheetDevice],
) -> Iterator[SheetChapter]:
    """Yield a chapter for each system in the order of installation.

    What is for no system comes where its first disc stands in the order of use.
    """
    named = [name for disc in manifest.discs for name in disc.targets]
    systems = list(dict.fromkeys((*(plan.systems if plan else ()), *named)))
    loose = [disc.position for disc in manifest.discs if not disc.targets]
    if loose:
        is_first = loose[0] == 1
        systems.insert(0 if is_first else len(systems), "")
    seen: set[int] = set()
    told = manifest.open_findings
    makes_partitions = _partition_step(steps)
    for system in systems:
        discs = [disc for disc in manifest.discs if system in (disc.targets or ("",))]
        positions = {disc.position for disc in discs}
        # What is for no one system is done whenever its disc is used.
        own = [
            step
            for step in steps
            if (step.system == system if step.system else step.position in positions)
        ]
        installer = list(bench_findings(told, system, BenchPlace.INSTALLER)) if system else []
        placed = [
            *_step_items(own, makes_partitions, told),
            *_disc_items(system, discs, installer, seen),
        ]
        items = tuple(item for _, item in sorted(placed, key=lambda one: one[0]))
        found: tuple[SheetFinding, ...] = ()
        if system:
            found = (*bench_findings(told, system), *installer)
            if makes_partitions is None:
                found += tuple(bench_findings(told, system, BenchPlace.PARTITIONS))
        rows = tuple(one for one in devices if system and one.system == system)
        if items or found or rows:
            yield SheetChapter(system or NO_SYSTEM, found, items, rows)


def _before(findings: Sequence[OpenFinding], steps: Sequence[PlanStep]) -> Iterator[SheetFinding]:
    """Yield what there is to act on before the first disc."""
    yield from bench_findings(findings, "")
    step = _partition_step(steps)
    if step is None:
        yield from bench_findings(findings, "", BenchPlace.PARTITIONS)
    elif not (step.system or step.position):
        yield from partition_findings(findings)


def _partition_step(steps: Sequence[PlanStep]) -> PlanStep | None:
    """Return the first step that makes partitions."""
    return next((step for step in steps if step.partitions), None)


def _step_items(
    steps: Sequence[PlanStep], makes_partitions: PlanStep | None, findings: Sequence[OpenFinding]
) -> Iterator[_Placed]:
    """Yield steps with their place in the order of use."""
    for number, step in enumerate(steps):
        watch = tuple(partition_findings(findings)) if step is makes_partitions else ()
        side = -1 if step.is_before else 1
        yield (step.position, side, number), SheetItem(step=step, watch=watch)


def _disc_items(
    system: str, discs: Sequence[ManifestDisc], installer: list[SheetFinding], seen: set[int]
) -> Iterator[_Placed]:
    """Yield discs with their place in the order of use, and remember them as ``seen``.

    What is told of the ``installer`` is taken out by the first disc that starts the machine.
    """
    for disc in discs:
        is_again = disc.position in seen
        # Each once: what is about every system where the disc is named first.
        targets = [*([] if is_again else [""]), *([system] if system else [])]
        watch = [one for target in targets for one in bench_findings(disc.open_findings, target)]
        if disc.boot:
            watch += installer
            installer.clear()
        yield (disc.position, 0, 0), SheetItem(sheet_disc(disc), None, tuple(watch), is_again)
    seen |= {disc.position for disc in discs}
