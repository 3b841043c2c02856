"""Who can read a disc: an image as it is, or what would be built from folders or a recipe."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.recipes.source_names import is_source
from mediashelf.collector import collector_paused
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity, joined, worst
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image
from mediashelf.jobs.discs.recipe_options import RecipeOptions, can_be_planned, find_recipe
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.readability.check import Readability, check_targets, verdict_on
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.sessions.discs.hybrid import check_hybrid, find_partition_table
from mediashelf.sessions.discs.ways_out import as_not_padded, is_disc, is_to_pad
from mediashelf.sessions.emulator import check_lun

_MANY = 20_000  # files whose plan is let go before it is judged, which takes as much memory


class CheckedSource(Struct, frozen=True):
    """A disc with what was found about it.

    ``kind`` is image, folder or recipe. ``own`` are the findings of its reader or its
    planner. ``is_asked`` tells that targets were named, by a person or by the recipe;
    else ``targets`` are all that are known. ``drivers`` are the findings about the
    machine of a recipe, None where there is no machine.
    """

    path: Path
    kind: str
    facts: DiscFacts
    own: Sequence[Finding]
    emulator: tuple[Finding, ...]
    targets: tuple[tuple[Target, Sequence[Finding]], ...]
    is_asked: bool
    drivers: tuple[Finding, ...] | None = None

    @property
    def parts(self) -> list[tuple[str, Sequence[Finding]]]:
        """Every finding under what it is about."""
        return [
            ("structure" if self.kind == "image" else "plan", self.own),
            ("emulator", self.emulator),
            *(("target", found) for _, found in self.targets),
            ("drivers", self.drivers or ()),
        ]

    def verdict(self, found: Iterable[Finding]) -> Readability:
        """What a target's findings come to on this disc."""
        return verdict_on(found, self.own if self.kind == "image" else ())

    @property
    def served(self) -> Severity | None:
        """The worst that the emulator does to the disc, None when it serves it whole."""
        return worst(check_lun(self.facts.size, looks_raw=self.facts.looks_raw))


def examine_source(
    path: Path,
    asked: Sequence[Target],
    known: Mapping[str, Target],
    *,
    find_place: Callable[[str], str] = str,
    progress: Progress = no_progress,
) -> CheckedSource:
    """Check what is at a path for the targets asked for, else a recipe's own, else all.

    Raises what opening the image or planning the recipe raises.
    """
    if can_be_planned(path):
        options = RecipeOptions(targets=tuple(one.name for one in asked), find_place=find_place)
        return _check_planned(path, options, known, progress)
    targets = asked or list(known.values())
    where = path.name or "image"
    with open_image(path) as image:
        facts, own = image.facts, image.findings
        if facts.looks_raw and not facts.volumes:
            _refuse_sheet(path)
        table = None if facts.looks_raw else find_partition_table(image.view)
    emulator = (
        *check_lun(facts.size, looks_raw=facts.looks_raw, where=where, is_hybrid=table is not None),
        *check_hybrid(table, where),
    )
    if not is_to_pad(own):
        emulator = as_not_padded(emulator)
    with collector_paused():
        found: tuple[tuple[Target, Sequence[Finding]], ...] = tuple(check_targets(facts, targets))
    if not is_disc(own):  # what is not a disc cannot be built again
        found = tuple(
            (target, tuple(replace(each, remedy="") for each in one)) for target, one in found
        )
    return CheckedSource(path, "image", facts, tuple(own), emulator, found, bool(asked))


def _refuse_sheet(path: Path) -> None:
    from mediashelf.integrity.raw.tracks import is_sheet  # loads what decodes sectors

    if is_sheet(path):
        raise InputError(
            f"{path}: is a cue sheet, and the disc is in the files that it names; check the "
            "first of them, or what convert makes of its data track"
        )


def _check_planned(
    path: Path, options: RecipeOptions, known: Mapping[str, Target], progress: Progress
) -> CheckedSource:
    # Loaded only here: an image is checked without what plans and surveys discs.
    from mediashelf.building.planning.planned_facts import facts_alone
    from mediashelf.jobs.discs.recipe_plan import plan_recipe

    recipe = find_recipe([path], options)
    targets = pick_targets(recipe.targets, known)
    judging = targets or list(known.values())
    planned = plan_recipe(recipe, judging if recipe.machines else (), progress=progress)
    (disc,) = planned.discs
    facts, emulator, found = disc.plan.facts, disc.emulator, disc.targets
    own = joined(disc.plan.findings, planned.notes)
    drivers = planned.about_drivers if planned.drivers is not None else None
    if not recipe.machines:
        facts = facts_alone(facts)
        is_large = disc.plan.file_count > _MANY
        del planned, disc
        if is_large:
            gc.collect()  # directories point to each other
        found = tuple(check_targets(facts, judging))
    kind = "folder" if is_source(path) else "recipe"
    return CheckedSource(path, kind, facts, own, emulator, found, bool(targets), drivers)
