"""Build the discs of a planned recipe: where they go, and which older ones are beside them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.writing.destination import refuse_output
from mediashelf.building.writing.write import BuiltDisc, build_discs
from mediashelf.errors import OutputError
from mediashelf.files import refuse_missing_folder
from mediashelf.jobs.discs.recipe_plan import PlannedRecipe
from mediashelf.jobs.progress import Progress, no_progress


class BuiltRecipe(Struct, frozen=True):
    """The discs that were built; ``older`` are beside them and look like a part of the series."""

    discs: tuple[BuiltDisc, ...] = ()
    older: tuple[Path, ...] = ()


def refuse_destination(recipe: Recipe, output: Path, *, is_spread: bool, replace: bool) -> None:
    """Raise :class:`OutputError` when the discs cannot go there; nothing is touched.

    This is known before the sources are read.
    """
    if not is_spread:
        refuse_output(recipe, output, replace=replace)
    elif output.exists() and not output.is_dir():
        raise OutputError(f"{output}: is not a folder; with --spread name one for the images")
    refuse_missing_folder(output)


def build_recipe(
    planned: PlannedRecipe,
    output: Path,
    *,
    anyway: bool = False,
    replace: bool = False,
    progress: Progress = no_progress,
) -> BuiltRecipe:
    """Build the disc as ``output``, or a series into the folder ``output``, which is made.

    Raises :class:`BlockedError`, :class:`BuildError` and :class:`OutputError`.
    """
    outputs, older = _outputs(planned, output, replace)
    with progress("building", total=2 * planned.content_size) as on_bytes:
        discs = build_discs(
            planned.plans, outputs, anyway=anyway, replace=replace, on_bytes=on_bytes
        )
    return BuiltRecipe(tuple(discs), tuple(older))


def _outputs(
    planned: PlannedRecipe, output: Path, replace: bool
) -> tuple[list[Path], Sequence[Path]]:
    """Return where the discs go, and the older discs of the same name that stay beside them."""
    if planned.series is None:
        return [output], []
    from mediashelf.building.spread.series import file_names, file_stem  # loaded for one already

    names = file_names(planned.recipe.label, len(planned.plans))
    paths = [output / name for name in names]
    for path in paths:
        refuse_output(planned.recipe, path, replace=replace)
    try:
        output.mkdir(exist_ok=True)
        others = sorted({path.name for path in output.glob("*.iso")} - set(names))
    except OSError as error:
        raise OutputError(f"{output}: cannot be made: {error.strerror or error}") from error
    ours = re.compile(re.escape(file_stem(planned.recipe.label)) + r"(-[0-9]+)?\.iso")
    return paths, [output / name for name in others if ours.fullmatch(name)]
