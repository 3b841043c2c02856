"""Putting items on few discs, in order.

Two ways, both common practice: in sequence, which people expect and which is kept
whenever it needs no more discs; and the heaviest first. Neither promises the least
number of discs that could be. Only numbers here: an item has a weight, which is close
to what it takes on a disc, and a rank. No item is on a later disc than one of a higher
rank. Whether items fit on one disc is asked of whoever knows the truth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from typing import NamedTuple


class Item(NamedTuple):
    """``weight`` is in sectors; items are numbered in the wanted order."""

    weight: int
    rank: int


Disc = tuple[int, ...]
Fits = Callable[[Sequence[int]], bool]


def pack(items: Sequence[Item], fits: Fits, least: int = 1) -> list[Disc]:
    """Return the numbers of the items on each disc; each item must fit on a disc alone.

    The same items give the same discs. On one disc items are in their order.
    No fewer than ``least`` discs can hold all, as the caller knows.
    """
    in_sequence = _in_sequence(items, fits)
    if len(in_sequence) <= least:
        return in_sequence  # the other way asks far more of ``fits``
    return min(in_sequence, _heaviest_first(items, fits), key=len)  # of equals the first


def _in_sequence(items: Sequence[Item], fits: Fits) -> list[Disc]:
    """Return discs that are filled one after the other in the order of the items."""
    discs: list[list[int]] = []
    for number in sorted(range(len(items)), key=lambda number: (items[number].rank, number)):
        if discs and fits([*discs[-1], number]):
            discs[-1].append(number)
        else:
            discs.append([number])
    return [tuple(sorted(disc)) for disc in discs]


def _heaviest_first(items: Sequence[Item], fits: Fits) -> list[Disc]:
    """Return discs that are filled rank by rank, each item on the first that has room for it.

    A rank begins on the last disc of the rank before, which is the emptiest of its own.
    """
    discs: list[list[int]] = []
    by_rank = sorted(range(len(items)), key=lambda number: (items[number].rank, number))
    for _, group in groupby(by_rank, key=lambda number: items[number].rank):
        opened = len(discs)
        begun = max(opened - 1, 0)
        for number in sorted(group, key=lambda number: -items[number].weight):
            chosen = next((disc for disc in discs[begun:] if fits([*disc, number])), None)
            if chosen is None:
                discs.append(chosen := [])
            chosen.append(number)
        own = sorted(map(sorted, discs[opened:]))
        emptiest = min(reversed(own), key=lambda disc: _weight(items, disc), default=[])
        discs[opened:] = sorted(own, key=lambda disc: disc is emptiest)
    return [tuple(sorted(disc)) for disc in discs]


def _weight(items: Sequence[Item], disc: Sequence[int]) -> int:
    return sum(items[number].weight for number in disc)
