"""Making the discs of a packing equally full without needing another one.

What counts is the sum of the squares of what is on each disc: it is least when all
are equal. Neither way breaks the order of ranks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from mediashelf.building.spread.packing import Disc, Fits, Item

MOST_IN_SEQUENCE = 400
"""Items up to which every way to cut the sequence is compared."""

MOST_EXCHANGED = 200
"""Items up to which exchanges between discs are tried."""


def level_sequence(items: Sequence[Item], fits: Fits, count: int) -> list[Disc] | None:
    """Return the most equal way to cut the sequence of items into ``count`` discs.

    None when there is none, or when there are too many items to compare all.
    """
    numbers = sorted(range(len(items)), key=lambda number: (items[number].rank, number))
    if len(numbers) > MOST_IN_SEQUENCE or count > len(numbers):
        return None
    runs = _fitting_runs(items, numbers, fits)
    # For each count of discs and each end: the least sum of squares, and the last cut.
    best: list[dict[int, tuple[int, int]]] = [{0: (0, 0)}]
    for _ in range(count):
        ends: dict[int, tuple[int, int]] = {}
        for start, (cost, _) in best[-1].items():
            for end, load in runs[start] if start < len(numbers) else ():
                candidate = (cost + load * load, start)
                # Of equal ways the one with the later cut: earlier discs are the fuller.
                if end not in ends or (candidate[0], -start) < (ends[end][0], -ends[end][1]):
                    ends[end] = candidate
        best.append(ends)
    if len(numbers) not in best[count]:
        return None
    discs, end = [], len(numbers)
    for made in range(count, 0, -1):
        start = best[made][end][1]
        discs.append(tuple(numbers[start:end]))
        end = start
    return discs[::-1]


def _fitting_runs(
    items: Sequence[Item], numbers: Sequence[int], fits: Fits
) -> list[list[tuple[int, int]]]:
    """Return, by start, the ends and loads of runs that fit on one disc."""
    runs = []
    for start in range(len(numbers)):
        ends, load = [], 0
        for end in range(start + 1, len(numbers) + 1):
            if not fits(numbers[start:end]):
                break
            load += items[numbers[end - 1]].weight
            ends.append((end, load))
        runs.append(ends)
    return runs


class _Exchange(NamedTuple):
    """What goes from a fuller disc to an emptier one, and what comes back for it."""

    fuller: int
    emptier: int
    moved: int
    back: tuple[int, ...]


def level_by_exchange(items: Sequence[Item], fits: Fits, discs: Sequence[Disc]) -> list[Disc]:
    """Return the discs after every move and swap that makes two of them more equal."""
    if len(items) > MOST_EXCHANGED:
        return list(discs)
    made = [list(disc) for disc in discs]
    # Every exchange makes the sum of squares smaller, so this ends; the limit is for time.
    for _ in range(4 * len(items)):
        for exchange in _exchanges(items, made):
            after = _after(made, exchange)
            changed = (after[exchange.fuller], after[exchange.emptier])
            if _keeps_order(items, after) and all(map(fits, changed)):
                made = after
                break
        else:
            break
    return [tuple(disc) for disc in made]


def _exchanges(items: Sequence[Item], discs: Sequence[Sequence[int]]) -> Iterator[_Exchange]:
    """Yield what would make two discs more equal: the most unequal pairs, the heaviest items."""
    loads = [sum(items[number].weight for number in disc) for disc in discs]
    by_load = sorted(range(len(discs)), key=lambda place: (-loads[place], place))
    for at, fuller in enumerate(by_load):
        heaviest_first = sorted(discs[fuller], key=lambda one: (-items[one].weight, one))
        for emptier in by_load[:at:-1]:
            gap = loads[fuller] - loads[emptier]
            for moved in heaviest_first:
                if len(discs[fuller]) > 1 and 0 < items[moved].weight < gap:
                    yield _Exchange(fuller, emptier, moved, ())
                for other in discs[emptier]:
                    if 0 < items[moved].weight - items[other].weight < gap:
                        yield _Exchange(fuller, emptier, moved, (other,))


def _after(discs: Sequence[Sequence[int]], exchange: _Exchange) -> list[list[int]]:
    fuller, emptier, moved, back = exchange
    after = [list(disc) for disc in discs]
    after[fuller] = [number for number in discs[fuller] if number != moved] + list(back)
    after[emptier] = [number for number in discs[emptier] if number not in back] + [moved]
    return after


def _keeps_order(items: Sequence[Item], discs: Sequence[Sequence[int]]) -> bool:
    """Whether no item is on a later disc than one of a higher rank."""
    ranks = [[items[number].rank for number in disc] for disc in discs if disc]
    return all(max(before) <= min(after) for before, after in pairwise(ranks))
