"""Putting items on few discs, in order.

Two ways, both common practice: in sequence, which people expect and which is kept
whenever it needs no more discs; and the heaviest first. Neither promises the least
number of discs that could be. Only numbers here: an item has a weight, which is close
to what it takes on a disc, and a rank. No item is on a later disc than one of a higher
rank. Whether items fit on one disc is known to the disc that is asked to take them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from typing import NamedTuple, Protocol


class Item(NamedTuple):
    """``weight`` is in sectors; items are numbered in the wanted order."""

    weight: int
    rank: int


class OpenDisc(Protocol):
    """A disc that is being filled."""

    def take(self, numbers: Sequence[int]) -> int:
        """Take as many of these items as fit, in their order; return how many."""


Disc = tuple[int, ...]
NewDisc = Callable[[], OpenDisc]


class _Filled(NamedTuple):
    """A disc with the items on it."""

    disc: OpenDisc
    items: list[int]

    def take(self, number: int) -> bool:
        is_taken = self.disc.take([number]) == 1
        if is_taken:
            self.items.append(number)
        return is_taken


def pack(items: Sequence[Item], new_disc: NewDisc, least: int = 1) -> list[Disc]:
    """Return the numbers of the items on each disc; what no disc takes has one for itself.

    The same items give the same discs. On one disc items are in their order.
    No fewer than ``least`` discs can hold all, as the caller knows.
    """
    in_sequence = _in_sequence(items, new_disc)
    if len(in_sequence) <= least:
        return in_sequence  # the other way asks far more of the discs
    return min(in_sequence, _heaviest_first(items, new_disc), key=len)  # of equals the first


def _in_sequence(items: Sequence[Item], new_disc: NewDisc) -> list[Disc]:
    """Return discs that are filled one after the other in the order of the items."""
    discs: list[Disc] = []
    waiting = _by_rank(items)
    while waiting:
        count = max(new_disc().take(waiting), 1)
        discs.append(tuple(sorted(waiting[:count])))
        waiting = waiting[count:]
    return discs


def _heaviest_first(items: Sequence[Item], new_disc: NewDisc) -> list[Disc]:
    """Return discs that are filled rank by rank, each item on the first that has room for it.

    A rank begins on the last disc of the rank before, which is the emptiest of its own.
    """
    discs: list[_Filled] = []
    for _, group in groupby(_by_rank(items), key=lambda number: items[number].rank):
        opened = len(discs)
        begun = max(opened - 1, 0)
        for number in sorted(group, key=lambda number: -items[number].weight):
            if not any(disc.take(number) for disc in discs[begun:]):
                discs.append(_opened_with(number, new_disc))
        own = sorted(discs[opened:], key=lambda disc: sorted(disc.items))
        emptiest = min(reversed(own), key=lambda disc: _weight(items, disc.items), default=None)
        discs[opened:] = sorted(own, key=lambda disc: disc is emptiest)
    return [tuple(sorted(disc.items)) for disc in discs]


class _FullDisc:
    def take(self, numbers: Sequence[int]) -> int:
        return 0


def _opened_with(number: int, new_disc: NewDisc) -> _Filled:
    opened = _Filled(new_disc(), [])
    return opened if opened.take(number) else _Filled(_FullDisc(), [number])


def _by_rank(items: Sequence[Item]) -> list[int]:
    return sorted(range(len(items)), key=lambda number: (items[number].rank, number))


def _weight(items: Sequence[Item], disc: Sequence[int]) -> int:
    return sum(items[number].weight for number in disc)
