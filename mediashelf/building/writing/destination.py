"""Where a disc may be written.

It must not be inside a source folder (the next disc would hold this one), must
not be what it is made from, and must be a regular file where it exists.
"""

from __future__ import annotations

import os
from pathlib import Path

from mediashelf.building.recipes.recipe import Recipe
from mediashelf.errors import OutputError
from mediashelf.files import refuse_name
from mediashelf.system import real_path
from mediashelf.text import same_name
from mediashelf.trees.opening import split_place


def refuse_output(recipe: Recipe, output: Path, *, replace: bool) -> None:
    """Raise :class:`OutputError` when the disc must not be written there; nothing is touched."""
    refuse_name(output)
    real = Path(real_path(output))
    if os.path.lexists(output) and not real.is_file():
        raise OutputError(f"{output}: is not a regular file; name a file for the disc")
    if real.exists() and not replace:
        raise OutputError(
            f"{output}: exists already; choose another name, or have it replaced (--replace)"
        )
    for source in recipe.folders:
        if source.path.is_dir() and any(_is_same(source.path, one) for one in real.parents):
            raise OutputError(
                f"{output}: is inside {source.path}, which goes on the disc; "
                "write the disc outside its own sources"
            )
    made_from = [recipe.path, *recipe.machines, recipe.boot.path if recipe.boot else None]
    for path in (*made_from, *(split_place(source.path)[0] for source in recipe.folders)):
        if path is not None and _is_same(path, real):
            raise OutputError(f"{output}: is what the disc is made from; choose another name")


def _is_same(path: Path, real: Path) -> bool:
    """Tell whether two names are of one file or folder; many disks take any letter case."""
    if Path(real_path(path)) == real:
        return True
    try:
        # A hard link is another name on purpose, and what is written takes one name only.
        is_alike = same_name(path.name) == same_name(real.name) or real.is_dir()
        return is_alike and path.samefile(real)
    except OSError:
        return False
