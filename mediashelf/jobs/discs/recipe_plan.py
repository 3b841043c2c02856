"""One recipe, one disc: whoever asks for it gets the same plan, findings and blockers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.pages.disc_pages import DiscPages, DriverTable, tables_size
from mediashelf.building.pages.index_page import NO_PAGES
from mediashelf.building.planning.disc_plan import DiscPlan, plan_listing
from mediashelf.building.planning.listing import Listing, list_sources, share_listed
from mediashelf.building.recipes.capacity import EMULATED_DRIVE
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.writing.blocking import blocking
from mediashelf.errors import RecipeError
from mediashelf.findings import Finding, Findings, joined
from mediashelf.jobs.discs.source_notes import check_sources
from mediashelf.jobs.discs.unopened import not_the_last_word
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.sessions.emulator import check_lun

if TYPE_CHECKING:
    from mediashelf.building.spread.series import DiscSeries
    from mediashelf.drivers.machines.reading import Machine
    from mediashelf.jobs.discs.disc_drivers import DiscDrivers, SourceDrivers
    from mediashelf.readability.targets import Target

# What knows of drivers, of several discs and of systems is loaded where it is asked: it takes
# as long as a small disc.


class JudgedPlan(Struct, frozen=True):
    """One planned disc, and what the emulator and each target find on it."""

    plan: DiscPlan
    emulator: tuple[Finding, ...]
    targets: tuple[tuple[Target, Findings], ...]

    @property
    def findings(self) -> Findings:
        """Everything that was found on the disc, drivers apart."""
        found = (findings for _, findings in self.targets)
        return joined(self.plan.findings, self.emulator, *found)

    @property
    def verdicts(self) -> dict[str, str]:
        """How well each target reads the disc, in a phrase."""
        from mediashelf.readability.check import verdict_on

        return {target.name: str(verdict_on(found)) for target, found in self.targets}


class PlannedRecipe(Struct, frozen=True):
    """The disc of a recipe, or the discs of a series.

    The errors among ``deciding`` block the disc. What ``drivers`` tells of the machine
    is for the person to know and blocks nothing: the sources have no better.
    """

    recipe: Recipe
    discs: tuple[JudgedPlan, ...]
    deciding: Findings
    series: DiscSeries | None = None
    sources: SourceDrivers | None = None
    drivers: DiscDrivers | None = None
    notes: tuple[Finding, ...] = ()

    @property
    def plans(self) -> tuple[DiscPlan, ...]:
        """The discs in order."""
        return tuple(disc.plan for disc in self.discs)

    @property
    def told(self) -> tuple[Finding, ...]:
        """The findings that block nothing, errors among them as well."""
        found = self.drivers.findings if self.drivers is not None else ()
        return (*self.notes, *not_the_last_word(found, self.notes))

    @property
    def about_drivers(self) -> tuple[Finding, ...]:
        """The findings about the machine: what got lost, then what is only told."""
        return (*_losses(self.drivers), *self.told[len(self.notes) :])

    @property
    def findings(self) -> Findings:
        """All findings."""
        return joined(self.deciding, self.told)

    @property
    def content_size(self) -> int:
        """Bytes that are read from the sources; read-back reads as many again."""
        return sum(plan.content_size for plan in self.plans)

    def blockers(self, *, anyway: bool) -> Findings:
        """Return the findings that keep the discs from being built."""
        return blocking(self.deciding, anyway=anyway)


def plan_recipe(
    recipe: Recipe,
    targets: Sequence[Target],
    *,
    is_spread: bool = False,
    is_asked_only: bool = False,
    name: str = "disc",
    progress: Progress = no_progress,
) -> PlannedRecipe:
    """Plan one disc, or as few as hold everything, and look at it as every target does.

    With a machine in the recipe its drivers are looked for, in the sources and on the
    discs, and the discs get tables of them. Nothing is written. Where the disc is
    ``is_asked_only`` about and will not be built from this plan, its pages have tables
    only if the disc may become too large by them. ``name`` is that of its tree.

    Raises :class:`InputError` when a source, the boot image or the machine's file is
    not there, :class:`BuildError` when a file changes while it is looked at or a series
    cannot be made, and :class:`RecipeError` for a machine without a target.
    """
    if recipe.machines and not recipe.targets:
        raise RecipeError(
            f"{recipe.path or recipe.label}: names a machine but no system; add "
            "targets = [...] to the recipe, or name one with --target"
        )
    machine = _machine(recipe)
    pages = DiscPages((DriverTable(machine.name, ()),)) if machine is not None else NO_PAGES
    with progress("looking at the sources") as on_bytes:
        listing = list_sources(recipe, on_bytes=on_bytes, shares=not is_asked_only)
        plan = None if is_spread else plan_listing(recipe, listing, pages)
        if is_asked_only and plan is not None and not _has_room(plan, 0):
            share_listed(listing, on_bytes=on_bytes)  # then it may fit all the same
            plan = plan_listing(recipe, listing, pages)
    if plan is None:
        return _spread(recipe, listing, machine, targets, progress)
    # Surveys take much memory, and judging as well: not both at once where the plan may stay.
    disc = _judge(plan, targets, lets_go=machine is not None) if is_asked_only else None
    sources = drivers = None
    if machine is not None:
        from mediashelf.jobs.discs.disc_drivers import survey_discs, survey_sources
        from mediashelf.jobs.discs.driver_tables import driver_tables, most_size

        sources = survey_sources(recipe, listing, machine, targets, progress=progress)
        drivers = survey_discs(sources, [plan], name=name, progress=progress)
        most = most_size(machine.name, drivers.surveys, [plan]) if is_asked_only else 0
        if not (is_asked_only and _has_room(plan, most)):
            tables = driver_tables(machine.name, drivers.surveys, [plan])
            plan = plan_listing(recipe, listing, DiscPages(tables))
            disc = None
    disc = disc or _judge(plan, targets)
    deciding = joined(disc.findings, _losses(drivers))
    notes = tuple(check_sources(recipe, listing))
    return PlannedRecipe(recipe, (disc,), deciding, sources=sources, drivers=drivers, notes=notes)


def _machine(recipe: Recipe) -> Machine | None:
    if not recipe.machines:
        return None
    from mediashelf.drivers.machines.reading import read_machines

    return read_machines(recipe.machines)


def _spread(
    recipe: Recipe,
    listing: Listing,
    machine: Machine | None,
    targets: Sequence[Target],
    progress: Progress,
) -> PlannedRecipe:
    from mediashelf.building.spread.series import plan_series, with_tables

    sources = drivers = None
    if machine is not None:
        from mediashelf.jobs.discs.disc_drivers import survey_discs, survey_sources
        from mediashelf.jobs.discs.driver_tables import driver_tables

        sources = survey_sources(recipe, listing, machine, targets, progress=progress)
        packages = list(sources.iter_packages())
    else:
        from mediashelf.jobs.discs.source_packages import iter_source_packages

        packages = list(iter_source_packages(recipe, listing, targets, progress=progress))
    series = plan_series(
        recipe,
        listing,
        together=[(one.inf, *one.needed) for one in packages],
        kinds={one.inf: one.kind for one in packages},
        reserve=_reserve(machine, sources) if machine and sources else 0,
    )
    if machine is not None and sources is not None:
        drivers = survey_discs(sources, series.plans, progress=progress)
        series = with_tables(series, driver_tables(machine.name, drivers.surveys, series.plans))
    discs = tuple(_judge(plan, targets) for plan in series.plans)
    on_discs = (_on_disc(disc.findings, number, len(discs)) for number, disc in enumerate(discs, 1))
    deciding = joined(series.findings, *on_discs, _losses(drivers))
    notes = tuple(check_sources(recipe, listing))
    return PlannedRecipe(recipe, discs, deciding, series, sources, drivers, notes)


def _losses(drivers: DiscDrivers | None) -> tuple[Finding, ...]:
    return drivers.losses if drivers is not None else ()


def _has_room(plan: DiscPlan, size: int) -> bool:
    """Whether both pages may have so many bytes more, and the disc is still within every limit."""
    return plan.size + 2 * size <= min(plan.capacity.size, EMULATED_DRIVE.size)


def _reserve(machine: Machine, sources: SourceDrivers) -> int:
    from mediashelf.jobs.discs.driver_tables import driver_tables

    return tables_size(driver_tables(machine.name, sources.surveys.values(), ()))


def _on_disc(findings: Findings, number: int, count: int) -> Findings:
    """Return findings with the disc that they are about."""

    def say_disc(finding: Finding) -> Finding:
        return replace(finding, where=f"disc {number}: {finding.where}")

    return findings if count == 1 else Findings(run.each(say_disc) for run in findings.runs)


def _judge(plan: DiscPlan, targets: Sequence[Target], *, lets_go: bool = False) -> JudgedPlan:
    # A disc for the emulated drive has its size checked when it is planned.
    is_checked = plan.capacity == EMULATED_DRIVE
    emulator = () if is_checked else tuple(check_lun(plan.size, where="/"))
    if not targets:
        return JudgedPlan(plan, emulator, ())
    from mediashelf.readability.check import check_targets

    found = check_targets(plan.facts, targets, lets_go=lets_go)
    return JudgedPlan(plan, emulator, tuple(found))
