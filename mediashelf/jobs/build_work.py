"""Everything that is decided before ``build`` writes: plans, verdicts, drivers, findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from mediashelf.building.pages.disc_pages import DiscPages, tables_size
from mediashelf.building.planning.disc_plan import DiscPlan, plan_listing
from mediashelf.building.planning.listing import Listing, list_sources
from mediashelf.building.recipes.capacity import EMULATED_DRIVE
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.spread.series import DiscSeries, plan_series, with_tables
from mediashelf.building.writing.blocking import blocking
from mediashelf.drivers.machines.reading import Machine, read_machine
from mediashelf.findings import Finding
from mediashelf.jobs.disc_drivers import (
    DiscDrivers,
    SourceDrivers,
    survey_discs,
    survey_sources,
)
from mediashelf.jobs.driver_tables import driver_tables
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.readability.check import check_targets, verdict_on
from mediashelf.readability.targets import Target
from mediashelf.sessions.emulator import check_lun


@dataclass(frozen=True, slots=True)
class BuildWork:
    """One disc to build, or the discs of a series.

    ``verdicts`` say for each disc which target reads it. ``deciding`` are the findings
    whose errors stand in the way; those of ``drivers`` are only told.
    """

    recipe: Recipe
    plans: tuple[DiscPlan, ...]
    verdicts: tuple[dict[str, str], ...]
    deciding: tuple[Finding, ...]
    series: DiscSeries | None = None
    drivers: DiscDrivers | None = None

    @property
    def findings(self) -> list[Finding]:
        """All findings."""
        told = self.drivers.findings if self.drivers is not None else ()
        return [*self.deciding, *told]

    @property
    def content_size(self) -> int:
        """Bytes that are read from the sources; read-back reads as many again."""
        return sum(plan.content_size for plan in self.plans)

    def blockers(self, *, anyway: bool) -> list[Finding]:
        """Return the findings that keep the discs from being built."""
        return blocking(self.deciding, anyway=anyway)


def plan_work(
    recipe: Recipe, targets: Sequence[Target], *, is_spread: bool, progress: Progress = no_progress
) -> BuildWork:
    """Plan one disc, or as few as hold everything, and look at it as every target does.

    With a machine in the recipe its drivers are looked for, in the sources and on the
    discs, and the discs get tables of them.
    """
    machine = read_machine(recipe.machine) if recipe.machine is not None else None
    with progress("looking at the sources") as on_bytes:
        listing = list_sources(recipe, on_bytes=on_bytes)
    if is_spread:
        return _spread(recipe, listing, machine, targets, progress)
    plan, drivers = plan_listing(recipe, listing), None
    if machine is not None:
        sources = survey_sources(recipe, listing, machine, targets, progress=progress)
        drivers = survey_discs(sources, [plan], progress=progress)
        tables = driver_tables(machine.name, drivers.surveys, [plan])
        plan = plan_listing(recipe, listing, DiscPages(tables))
    verdicts, findings = _judged(plan, targets)
    losses = drivers.losses if drivers is not None else ()
    return BuildWork(
        recipe, (plan,), (verdicts,), (*plan.findings, *findings, *losses), drivers=drivers
    )


def _spread(
    recipe: Recipe,
    listing: Listing,
    machine: Machine | None,
    targets: Sequence[Target],
    progress: Progress,
) -> BuildWork:
    sources = survey_sources(recipe, listing, machine, targets, progress=progress)
    series = plan_series(
        recipe,
        listing,
        together=sources.iter_packages(),
        reserve=_reserve(sources),
    )
    drivers = None
    if machine is not None:
        drivers = survey_discs(sources, series.plans, progress=progress)
        series = with_tables(series, driver_tables(machine.name, drivers.surveys, series.plans))
    all_verdicts = []
    findings = list(series.findings)
    for number, plan in enumerate(series.plans, start=1):
        verdicts, found = _judged(plan, targets)
        all_verdicts.append(verdicts)
        findings += _on_disc([*plan.findings, *found], number, len(series.plans))
    findings += drivers.losses if drivers is not None else ()
    return BuildWork(recipe, series.plans, tuple(all_verdicts), tuple(findings), series, drivers)


def _reserve(sources: SourceDrivers) -> int:
    if sources.machine is None:
        return 0
    return tables_size(driver_tables(sources.machine.name, sources.surveys.values(), ()))


def _on_disc(findings: Sequence[Finding], number: int, count: int) -> Iterator[Finding]:
    """Yield findings with the disc that they are about."""
    for finding in findings:
        yield finding if count == 1 else replace(finding, where=f"disc {number}: {finding.where}")


def _judged(plan: DiscPlan, targets: Sequence[Target]) -> tuple[dict[str, str], list[Finding]]:
    """Return what each target, and the emulator, say of a disc."""
    verdicts: dict[str, str] = {}
    findings: list[Finding] = []
    if plan.capacity != EMULATED_DRIVE:
        findings += check_lun(plan.size, where="/")
    for target, found in check_targets(plan.facts, targets):
        verdicts[target.name] = str(verdict_on(found))
        findings += found
    return verdicts, findings
