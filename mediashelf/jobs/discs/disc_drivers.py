"""Drivers on discs that are planned: what the sources have, what the discs have, what was lost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.planning.listing import Listing
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.drivers.asking import ask_ahead
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.losses import check_losses
from mediashelf.drivers.machines.reading import Machine
from mediashelf.drivers.packages.families import choose_family
from mediashelf.drivers.packages.finding import PackagesFound, find_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.findings import Finding, Severity
from mediashelf.formats.collector import collector_paused
from mediashelf.jobs.discs.driver_sources import SurveyedDiscs, tree_of_plan
from mediashelf.jobs.discs.driver_tables import disc_name
from mediashelf.jobs.discs.source_packages import PackageFiles
from mediashelf.jobs.discs.source_trees import sources_tree
from mediashelf.jobs.driver_families import families_of, say_no_family
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.readability.targets import Target


class SourceDrivers(Struct, frozen=True):
    """What the sources have for a machine, one survey a target whose ways are known.

    Without a machine the surveys tell only of packages; without a target whose ways
    are known there is one for every family that takes INFs.
    """

    machine: Machine | None
    targets: tuple[Target, ...]
    surveys: dict[str, Survey]

    def iter_packages(self) -> Iterator[PackageFiles]:
        """Yield each INF, and all that it asks for and that is there."""
        for result in self.surveys.values():
            for surveyed in result.packages:
                needed: list[str] = []
                for check in (surveyed.chosen, surveyed.rest):
                    files = check.files if check is not None else ()
                    needed += (one.path for one in files if one.state.is_there)
                package = surveyed.package
                yield PackageFiles(package.file.path, package.inf.kind, tuple(needed))
            for other in result.others:
                yield PackageFiles(other.file.path, other.inf.kind)


class DiscDrivers(Struct, frozen=True):
    """What the machine finds on the discs, by target.

    ``findings`` are for the person to know; only ``losses`` say that the discs are
    worse than their sources, and keep them from being built.
    """

    machine: Machine
    by_target: dict[str, SurveyedDiscs]
    findings: tuple[Finding, ...]
    losses: tuple[Finding, ...]

    @property
    def surveys(self) -> tuple[Survey, ...]:
        """One survey a target whose ways are known."""
        return tuple(one.survey for one in self.by_target.values())


def survey_sources(
    recipe: Recipe,
    listing: Listing,
    machine: Machine | None,
    targets: Sequence[Target],
    *,
    progress: Progress = no_progress,
) -> SourceDrivers:
    """Look at the packages in the sources of a recipe, those that it leaves out as well."""
    families = {name: choose_family(family) for name, family in families_of(targets).items()}
    devices = machine.devices if machine is not None else None
    with collector_paused(), progress("reading INFs", unit="INF") as on_inf:
        tree = sources_tree(recipe, listing)
        ask = ask_ahead(families.values(), devices)
        founds = [(tree, find_packages(tree, ask=ask, on_inf=on_inf))]
        surveys = {name: survey(founds, one, name, devices) for name, one in families.items()}
    return SourceDrivers(machine, tuple(targets), surveys)


def survey_discs(
    sources: SourceDrivers,
    plans: Sequence[DiscPlan],
    *,
    name: str = "disc",
    progress: Progress = no_progress,
) -> DiscDrivers:
    """Compare what the machine finds on planned discs with what the sources have for it.

    ``plans`` are all discs of the recipe; several are read as one collection. ``name`` is
    that of the tree where there is one disc.
    """
    machine = sources.machine
    assert machine is not None
    findings = list(machine.findings)
    losses = [finding for finding in machine.findings if finding.severity is Severity.ERROR]
    by_target: dict[str, SurveyedDiscs] = {}
    known: dict[tuple[int, str], tuple[PackageTree, PackagesFound]] = {}
    with collector_paused(), progress("reading INFs", unit="INF") as on_inf:
        for target in sources.targets:
            in_sources = sources.surveys.get(target.name)
            if in_sources is None:
                findings.append(say_no_family(target))
                continue
            founds = []
            for number, plan in enumerate(plans, start=1):
                tree = _disc_tree(name, plan, number, len(plans), target)
                if tree is None:
                    continue  # the rules of readability say so
                key = (number, tree.kind)
                if key not in known:
                    known[key] = tree, find_packages(tree, on_inf=on_inf)
                founds.append(known[key])
            on_discs = survey(founds, in_sources.family, target.name, machine.devices)
            surveyed = SurveyedDiscs(on_discs, founds, tuple(check_survey(on_discs)))
            by_target[target.name] = surveyed
            findings += (finding for _, found in founds for finding in found.findings)
            findings += surveyed.findings
            losses += check_losses(in_sources, on_discs)
    return DiscDrivers(machine, by_target, tuple(_distinct(findings, losses)), tuple(losses))


def _distinct(findings: Iterable[Finding], others: Iterable[Finding]) -> list[Finding]:
    """Return each finding once, without ``others``: several targets read the same texts."""
    known = dict.fromkeys(findings)
    for other in others:
        known.pop(other, None)
    return list(known)


def _disc_tree(
    name: str, plan: DiscPlan, number: int, count: int, target: Target
) -> PackageTree | None:
    if count == 1:
        return tree_of_plan(name, plan, target)
    tree = tree_of_plan(disc_name(number), plan, target)
    return replace(tree, prefix=f"{tree.name}:") if tree is not None else None
