"""Units that each fit on a disc: taken apart for that, or refused."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from heapq import nsmallest

from mediashelf.building.naming.layout import sectors_for
from mediashelf.building.pages.disc_pages import PagesSize
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.recipes.recipe import Recipe
from mediashelf.building.spread.alone import Measured
from mediashelf.building.spread.measuring import Measure
from mediashelf.building.spread.units import Unit, take_apart
from mediashelf.errors import BuildError
from mediashelf.text import size_text

LARGEST_NAMED = 3


def that_fit(whole: Iterable[Unit], measure: Measure) -> Iterator[tuple[Unit, Measured]]:
    """Yield units that each fit on a disc, as measured; what may be taken apart for that is.

    What cannot be is yielded as it is: more may be kept free than the disc's pages take.
    """
    waiting = list(whole)[::-1]
    while waiting:
        unit = waiting.pop()
        alone = measure.measure_alone(unit)
        parts = take_apart(unit) if alone.sectors > measure.capacity else []
        if parts in ([], [unit]):
            yield unit, alone
        else:
            waiting += parts[::-1]


def refuse_too_large(
    recipe: Recipe,
    discs: Sequence[Sequence[Unit]],
    plans: Sequence[DiscPlan],
    size: PagesSize,
    reserve: int,
) -> None:
    """Raise :class:`BuildError` where one unit alone, in one piece, is too large for its disc.

    ``size`` was kept free on its pages, of that ``reserve`` on each for what comes later.
    """
    for units, plan in zip(discs, plans, strict=True):
        sectors = plan.layout.used_sectors
        if reserve and plan.index is not None:
            sectors += _sectors_more(plan.index.own.size, reserve)
            page = plan.html.own.size if plan.html is not None else 0
            sectors += _sectors_more(page, reserve if page else size.html)
        if sectors > recipe.capacity.sectors and len(units) == 1:
            (unit,) = units
            if take_apart(unit) in ([], [unit]):
                raise _too_large(unit, sectors, recipe)


def _sectors_more(size: int, added: int) -> int:
    return sectors_for(size + added) - sectors_for(size)


def _too_large(unit: Unit, sectors: int, recipe: Recipe) -> BuildError:
    capacity = recipe.capacity
    by_size = nsmallest(
        LARGEST_NAMED, unit.iter_files(), key=lambda file: (-file.own.size, file.source)
    )
    largest = ", ".join(f"{file.source} ({size_text(file.own.size)})" for file in by_size)
    what = "the boot image" if unit.has_boot else unit.name
    return BuildError(
        f"{what}: needs {sectors:,} sectors alone and in one piece, and the capacity "
        f"({capacity.name}) is {capacity.sectors:,}; its largest files are {largest}; skip some "
        "of them, or name a larger capacity"
    )
