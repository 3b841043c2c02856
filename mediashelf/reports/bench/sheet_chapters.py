"""Chapters of the run sheet: what there is to do, system by system, in the order of use."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct

from mediashelf.reports.bench.sheet_facts import (
    SheetDisc,
    SheetFinding,
    bench_findings,
    partition_findings,
    sheet_disc,
)
from mediashelf.sessions.discs.readiness import BenchPlace
from mediashelf.sessions.manifests.disc import ManifestDisc
from mediashelf.sessions.manifests.parts import OpenFinding
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.plans.steps import PlanStep

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


def chapters_of(
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


def before_first_disc(
    findings: Sequence[OpenFinding], steps: Sequence[PlanStep]
) -> Iterator[SheetFinding]:
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
