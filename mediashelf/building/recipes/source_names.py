"""Sources by their names: what can be one, what it is called on a disc, where a shelf has it."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from msgspec.structs import replace

from mediashelf.building.recipes.capacity import EMULATED_DRIVE, Capacity
from mediashelf.building.recipes.recipe import BootImage, Recipe, SourceFolder
from mediashelf.errors import RecipeError

_WRAPPED = re.compile(
    r"\.(zip|7z|rar|lzh|lha|cab|exe|tar|t(ar\.)?(gz|bz2|xz|lzma)|t[bx]z|ima|imz|flp|vfd"
    r"|(iso|img)\.(gz|bz2|xz|lzma))$",
    re.IGNORECASE,
)
"""Names of what is opened as a folder would be (common practice); images are asked for by name."""

_IMAGE = re.compile(r"\.(iso|img|bin)$", re.IGNORECASE)


def is_source(path: Path) -> bool:
    """Whether what is at ``path`` is a source of a disc, and neither a recipe nor an image."""
    if path.is_dir() or _WRAPPED.search(path.name) is not None:
        return True
    return not os.path.lexists(path) and bool(_split_place(path)[1])


def _split_place(path: Path) -> tuple[Path, tuple[str, ...]]:
    from mediashelf.trees.opening import split_place  # not loaded for discs and recipes

    return split_place(path)


def recipe_from_folders(
    folders: Sequence[Path],
    *,
    label: str = "",
    targets: Iterable[str] = (),
    capacity: Capacity = EMULATED_DRIVE,
    boot: BootImage | None = None,
    index: bool = True,
) -> Recipe:
    """Return a recipe for folders (or archives) without a file.

    The contents of a single folder become the contents of the disc; each of
    several folders keeps its name, as a folder in the root.
    """
    if not folders:
        raise RecipeError("nothing to put on the disc: name a recipe or at least one folder")
    named = [(folder, own_name(folder)) for folder in folders]
    sources = tuple(
        SourceFolder(folder, (name,) if len(named) > 1 and name else ()) for folder, name in named
    )
    return Recipe(label or named[0][1], sources, tuple(targets), capacity, boot, index)


def with_places(recipe: Recipe, find_place: Callable[[str], str]) -> Recipe:
    """Return the recipe with sources that are not there looked for by their names.

    ``find_place`` is given what the recipe says, and returns a path for the name of an
    image on a shelf, else the same text.
    """
    folders = tuple(_placed(one, recipe.path, find_place) for one in recipe.folders)
    return replace(recipe, folders=folders)


def _placed(
    source: SourceFolder, recipe: Path | None, find_place: Callable[[str], str]
) -> SourceFolder:
    if os.path.lexists(_split_place(source.path)[0]):
        return source
    text = os.fspath(source.path)
    if recipe is not None and source.path.is_relative_to(recipe.parent):
        text = source.path.relative_to(recipe.parent).as_posix()
    found = find_place(text) if ":" in text else text
    return source if found == text else replace(source, path=Path(found))


def own_name(folder: Path) -> str:
    """Return what a source is called on a disc: its last name, an archive's without its suffix."""
    path, inside = _split_place(folder)
    last = inside[-1].rstrip("/").rpartition("/")[2] if inside else ""
    # abspath() gives '.', '..' and 'a/..' the names of the folders they stand for.
    name = last or os.path.basename(os.path.abspath(path))  # noqa: PTH100, PTH119
    if not inside and folder.is_dir():
        return name
    plain = name.removesuffix(".001")  # of a file that was cut; floppies are numbered as well
    stem = _IMAGE.sub("", _WRAPPED.sub("", plain))
    return name if stem in (plain, "") else stem
