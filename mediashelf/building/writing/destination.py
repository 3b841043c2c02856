"""Where a disc may be written.

It must not be inside a source folder (the next disc would hold this one), must
not be what it is made from, and must be a regular file where it exists.
"""

from __future__ import annotations

import os
from pathlib import Path

from mediashelf.building.recipes.recipe import Recipe
from mediashelf.errors import OutputError
from mediashelf.trees.opening import split_place


def refuse_output(recipe: Recipe, output: Path, *, replace: bool) -> None:
    """Raise :class:`OutputError` when the disc must not be written there; nothing is touched."""
    real = Path(os.path.realpath(output))
    if os.path.lexists(output) and not real.is_file():
        raise OutputError(f"{output}: is not a regular file; name a file for the disc")
    if real.exists() and not replace:
        raise OutputError(
            f"{output}: exists already; choose another name, or have it replaced (--replace)"
        )
    for source in recipe.folders:
        if source.path.is_dir() and real.is_relative_to(os.path.realpath(source.path)):
            raise OutputError(
                f"{output}: is inside {source.path}, which goes on the disc; "
                "write the disc outside its own sources"
            )
    made_from = [recipe.path, *recipe.machines, recipe.boot.path if recipe.boot else None]
    for path in (*made_from, *(split_place(source.path)[0] for source in recipe.folders)):
        if path is not None and real == Path(os.path.realpath(path)):
            raise OutputError(f"{output}: is what the disc is made from; choose another name")
