"""What is built for a session is planned as ``build`` plans it: recipes and boot floppies."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from msgspec.structs import replace

from mediashelf.building.planning.boot import FLOPPY_MEDIA
from mediashelf.building.recipes.recipe import BootImage, Recipe, load_recipe
from mediashelf.building.recipes.source_names import with_places
from mediashelf.errors import FormatError, InputError
from mediashelf.readability.targets import Target, pick_targets
from mediashelf.sessions.discs.served_image import PlanRecipe, SessionRecipe
from mediashelf.sessions.plans.plan_disc import SourceKind
from mediashelf.sessions.plans.resolve import SourceFile


def recipe_planner(
    targets: Mapping[str, Target],
    of_session: Sequence[str],
    find_place: Callable[[str], str] = str,
) -> PlanRecipe:
    """Return how a session plans a recipe: for the recipe's own targets, else the session's.

    ``targets`` are all that are known; ``find_place`` knows the names of images on shelves.
    """

    def plan(file: SourceFile) -> SessionRecipe:
        from mediashelf.jobs.discs.recipe_plan import plan_recipe  # most discs are there already

        if file.source.kind is SourceKind.FLOPPY:
            planned = plan_recipe(floppy_recipe(file.path), ())
            # Beside the floppy there is nothing on the disc, and nothing is meant to be.
            found = tuple(one for one in planned.deciding if one.rule != "nothing-on-disc")
            return SessionRecipe(planned.plans[0], found)
        recipe = with_places(load_recipe(file.path), find_place)
        if not recipe.targets:
            recipe = replace(recipe, targets=tuple(of_session))
        planned = plan_recipe(recipe, pick_targets(recipe.targets, targets))
        return SessionRecipe(planned.plans[0], tuple(planned.deciding), planned.told)

    return plan


def floppy_recipe(path: Path) -> Recipe:
    """Return the recipe of a disc that holds nothing but a floppy, and starts as it does.

    Raises :class:`InputError` when the image cannot be looked at, and
    :class:`FormatError` when firmware knows no floppy of its size.
    """
    try:
        size = path.stat().st_size
    except OSError as error:
        raise InputError(f"{path}: cannot be opened: {error.strerror or error}") from error
    if size not in FLOPPY_MEDIA:
        *sizes, largest = (f"{one:,}" for one in sorted(FLOPPY_MEDIA))
        raise FormatError(
            "the size of the boot floppy's image",
            at=str(path),
            found=f"{size:,} bytes",
            expected=f"{', '.join(sizes)} or {largest} bytes; copy its files to a floppy of such "
            "a size and make an image of that",
            clause="El Torito 1.0, figure 3",
        )
    return Recipe(path.stem, (), boot=BootImage(path), index=False)
