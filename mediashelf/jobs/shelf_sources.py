"""Sources of a recipe that are on a shelf: ``from = "home:drivers.iso:/LAN"``.

The catalogue tells where the shelf is today. What exists under such a path beside the
recipe goes first, and a name before the colon that is not a shelf's stays what it is.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.catalogue.keeping.naming import image_named, split_shelf
from mediashelf.catalogue.rows import Presence
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.errors import InputError
from mediashelf.trees.opening import split_place


def on_shelves(recipe: Recipe, catalogue_path: Path | None) -> Recipe:
    """Return the recipe with each source that names a shelf as the file that it is.

    Raises :class:`InputError` for an image that no shelf has, or that is not here now.
    """
    base = recipe.path.parent if recipe.path is not None else Path()
    named = {folder.path: _as_written(folder.path, base) for folder in recipe.folders}
    if not any(named.values()):
        return recipe
    with open_catalogue(catalogue_path) as catalogue:
        folders = tuple(_found(folder, named[folder.path], catalogue) for folder in recipe.folders)
    return replace(recipe, folders=folders)


def _as_written(path: Path, base: Path) -> str:
    """Return what a recipe says of a source that may be on a shelf, or an empty text."""
    if split_place(path)[1] or os.path.lexists(path):
        return ""
    text = path.relative_to(base).as_posix() if path.is_relative_to(base) else ""
    return text if ":" in text.partition("/")[0] else ""


def _found(folder: SourceFolder, text: str, catalogue: Catalogue) -> SourceFolder:
    split = split_shelf(text, [row.name for row in catalogue.shelves()]) if text else None
    if split is None:
        return folder
    shelf, rest = split
    image, _, inside = rest.partition(":/")
    row = image_named(catalogue, f"{shelf}:{image}")
    if row.presence is not Presence.HERE:
        raise InputError(
            f"{text}: {row.where} is {row.state_word}; connect what holds the shelf, then scan it"
        )
    return replace(folder, path=Path(f"{row.file}:/{inside}" if inside else row.file))
