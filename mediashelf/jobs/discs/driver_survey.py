"""Has every device of a machine a driver here? Asked of planned discs and of images alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.sources.floppy_sets import group_floppies
from mediashelf.drivers.asking import ask_ahead
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.reading import Machine, read_machines
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Package, PackagesFound, find_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.releases import check_releases
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.text.encoding import DEFAULT_CODE_PAGE
from mediashelf.jobs.discs.driver_sources import PlannedSource, Source, open_image_source
from mediashelf.jobs.discs.recipe_options import RecipeOptions, can_be_planned, find_recipe
from mediashelf.jobs.discs.recipe_plan import plan_recipe
from mediashelf.jobs.discs.unopened import not_the_last_word
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.readability.targets import Target, pick_targets


class DriverSubjects(Struct, frozen=True):
    """Where drivers are looked for: each path with its recipe, None for an image.

    ``target_names`` and ``machine`` are those that were asked for, else the recipes' own.
    """

    recipes: tuple[tuple[Path, Recipe | None], ...]
    target_names: tuple[str, ...]
    machine: Machine | None


class DriverAnswer(Struct, frozen=True):
    """One survey a target, and each finding once."""

    surveys: tuple[Survey, ...]
    findings: tuple[Finding, ...]


def find_subjects(paths: Sequence[Path], options: RecipeOptions) -> DriverSubjects:
    """Read the recipes and the machine's files; options go before what a recipe says.

    Floppies of one set are one source, as they are for a disc that is built of them.

    Raises :class:`InputError`, :class:`FormatError` and :class:`RecipeError`.
    """
    groups = group_floppies(paths)
    recipes = [
        find_recipe(group, options) if len(group) > 1 or can_be_planned(group[0]) else None
        for group in groups
    ]
    named = [name for recipe in recipes if recipe for name in recipe.targets]
    of_recipes = (recipe.machines for recipe in recipes if recipe and recipe.machines)
    machines = options.machines or next(of_recipes, ())
    return DriverSubjects(
        tuple(zip((group[0] for group in groups), recipes, strict=True)),
        options.targets or tuple(dict.fromkeys(named)),
        read_machines(machines) if machines else None,
    )


def survey_subjects(
    subjects: DriverSubjects,
    judged: Sequence[tuple[Target, Family]],
    targets: Mapping[str, Target],
    *,
    code_page: str,
    checks_releases: bool,
    progress: Progress = no_progress,
) -> DriverAnswer:
    """Look for the machine's drivers as each target with its family does.

    Recipes, folders and archives are planned as the discs that ``build`` makes of them,
    and what blocks such a disc is among the findings. ``targets`` are all that are known.
    """
    machine = subjects.machine
    devices = machine.devices if machine is not None else None
    with _opened(subjects, targets, progress) as sources:
        findings = [*(machine.findings if machine else ())]
        findings += [finding for source in sources for finding in source.findings]
        surveys = []
        ask = ask_ahead([family for _, family in judged], devices)
        for target, family in judged:
            known = sources[0].surveyed(target, family) if len(sources) == 1 else None
            if known is not None and code_page == DEFAULT_CODE_PAGE:
                result, founds, found = known
                unread = [finding for _, one in founds for finding in one.findings]
            else:
                founds, unread = _find(sources, target, code_page, ask, progress)
                result = survey(founds, family, target.name, devices)
                found = tuple(check_survey(result))
            surveys.append(result)
            findings += [*unread, *found]
            if checks_releases and devices is not None:
                findings += check_releases(result, founds, devices)
    findings = not_the_last_word(_distinct(findings), findings)
    return DriverAnswer(tuple(surveys), tuple(findings))


@contextmanager
def _opened(
    subjects: DriverSubjects, targets: Mapping[str, Target], progress: Progress
) -> Iterator[list[Source]]:
    with ExitStack() as stack:
        sources: list[Source] = []
        planned_recipes = []  # kept, so that the INFs that they have read are not parsed again
        for path, recipe in subjects.recipes:
            if recipe is None:
                sources.append(stack.enter_context(open_image_source(path)))
                continue
            asked = recipe if recipe.targets else replace(recipe, targets=subjects.target_names)
            picked = pick_targets(asked.targets, targets)
            planned = plan_recipe(
                asked, picked, is_asked_only=True, name=str(path), progress=progress
            )
            planned_recipes.append(planned)
            sources.append(
                PlannedSource(
                    str(path),
                    planned.plans[0],
                    [*planned.blockers(anyway=False), *planned.notes],
                    planned.drivers.by_target if planned.drivers is not None else {},
                )
            )
        yield sources


def _find(
    sources: Sequence[Source],
    target: Target,
    code_page: str,
    ask: Callable[[Package], None],
    progress: Progress,
) -> tuple[list[tuple[PackageTree, PackagesFound]], list[Finding]]:
    """Return the packages of each source as ``target`` sees it, and what was not read."""
    founds: list[tuple[PackageTree, PackagesFound]] = []
    findings: list[Finding] = []
    with progress("reading INFs", unit="INF") as on_inf:
        for source in sources:
            tree = source.tree_for(target)
            if tree is None:
                findings.append(_unreadable(source, target))
                continue
            if len(sources) > 1:
                tree = replace(tree, prefix=f"{tree.name}:")
            found = find_packages(tree, code_page=code_page, ask=ask, on_inf=on_inf)
            founds.append((tree, found))
            findings += found.findings
    return founds, findings


def _unreadable(source: Source, target: Target) -> Finding:
    return Finding(
        "no-tree-for-target",
        Severity.ERROR,
        source.name,
        f"{target.name} cannot read any directory tree on it",
        "see what is on it with mediashelf show",
        target=target.name,
    )


def _distinct(findings: Iterable[Finding]) -> list[Finding]:
    """Return each finding once: several targets read the same texts; the worst one is kept."""
    kept: dict[tuple[str, str, str, str], Finding] = {}
    for finding in findings:
        key = (finding.rule, finding.where, finding.message, finding.target)
        known = kept.get(key)
        if known is None or finding.severity > known.severity:
            kept[key] = finding
    return list(kept.values())
