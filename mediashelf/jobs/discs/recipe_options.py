"""What a disc is made from: a recipe, or folders and archives; options go before both."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.recipes.capacity import parse_capacity
from mediashelf.building.recipes.recipe import BootImage, Recipe, load_recipe
from mediashelf.building.recipes.source_names import is_source, recipe_from_folders, with_places
from mediashelf.trees.as_image import is_archive

RECIPE_SUFFIX = ".toml"


class RecipeOptions(Struct, frozen=True):
    """What a person asks for instead of what the recipe says; None and empty ask for nothing.

    ``find_place`` knows the names of images on shelves; see :func:`.with_places`.
    """

    label: str | None = None
    targets: tuple[str, ...] = ()
    machines: tuple[Path, ...] = ()
    capacity: str | None = None
    boot: Path | None = None
    has_index: bool = True
    find_place: Callable[[str], str] = str


NO_OPTIONS = RecipeOptions()


def is_recipe(path: Path) -> bool:
    """Return whether a path names a recipe's file, which need not be there."""
    return path.suffix.lower() == RECIPE_SUFFIX and not path.is_dir()


def can_be_planned(path: Path) -> bool:
    """Return whether a disc can be planned from a path: a recipe, a folder or an archive."""
    return is_source(path) or is_recipe(path) or is_archive(path)


def find_recipe(sources: Sequence[Path], options: RecipeOptions = NO_OPTIONS) -> Recipe:
    """Return the recipe that the sources are, or one for the folders that they are.

    Raises :class:`InputError` and :class:`RecipeError`.
    """
    is_file = len(sources) == 1 and is_recipe(sources[0])
    recipe = load_recipe(sources[0]) if is_file else recipe_from_folders(sources)
    recipe = with_options(recipe, options)
    if is_file:
        return recipe
    from mediashelf.building.sources.floppy_sets import join_floppies  # not loaded for images

    return join_floppies(recipe)


def with_options(recipe: Recipe, options: RecipeOptions) -> Recipe:
    """Return the recipe with what the options ask for; raises :class:`RecipeError`."""
    changes: dict[str, Any] = {}
    if options.label is not None:
        changes["label"] = options.label
    if options.targets:
        changes["targets"] = options.targets
    if options.machines:
        changes["machines"] = options.machines
    if options.capacity is not None:
        changes["capacity"] = parse_capacity(options.capacity)
    if options.boot is not None:
        changes["boot"] = BootImage(options.boot)
    if not options.has_index:
        changes["index"] = False
    return with_places(replace(recipe, **changes), options.find_place)
