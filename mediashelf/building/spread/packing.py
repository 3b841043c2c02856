"""Putting items on as few discs as possible, in order, and the discs equally full.

Only numbers here. An item has a weight, which is close to what it takes on a disc; a
weight that it takes in any case, whatever stands beside it; and a rank. No item is on a
later disc than one of a higher rank. Whether items fit on one disc is asked of a
:class:`Room`, which knows the truth.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from typing import NamedTuple, Protocol


class Item(NamedTuple):
    """``weight`` and ``least`` are in sectors; items are numbered in the wanted order."""

    weight: int
    least: int
    rank: int


class Room(Protocol):
    """One disc of the capacity that all discs have."""

    @property
    def least_capacity(self) -> int:
        """Sectors that the ``least`` weights of a disc's items cannot exceed."""
        ...

    def fits(self, chosen: Sequence[int]) -> bool:
        """Return whether these items (by number) fit on one disc."""
        ...


Disc = tuple[int, ...]
Fits = Callable[[Sequence[int]], bool]


def groups_of(items: Sequence[Item]) -> list[list[int]]:
    """Return the items of each rank, lowest rank first, heaviest items first."""
    numbers = sorted(range(len(items)), key=lambda number: items[number].rank)
    return [
        sorted(group, key=lambda number: (-items[number].weight, number))
        for _, group in groupby(numbers, key=lambda number: items[number].rank)
    ]


def pack_in_sequence(items: Sequence[Item], fits: Fits) -> list[Disc]:
    """Return discs that are filled one after the other in the order of the items."""
    discs: list[list[int]] = []
    numbers = sorted(range(len(items)), key=lambda number: (items[number].rank, number))
    for number in numbers:
        if discs and fits([*discs[-1], number]):
            discs[-1].append(number)
        else:
            discs.append([number])
    return [tuple(disc) for disc in discs]


def pack_heaviest_first(items: Sequence[Item], fits: Fits, *, best_fit: bool) -> list[Disc]:
    """Return discs that are filled with the heaviest items first, rank by rank.

    Each item goes on the first disc where it fits, or with ``best_fit`` on the one
    that it leaves least room on.
    """
    discs: list[list[int]] = []
    floor = 0
    for group in groups_of(items):
        opened = len(discs)
        for number in group:
            choices = [disc for disc in discs[floor:] if fits([*disc, number])]
            if not choices:
                discs.append([number])
            elif best_fit:
                max(choices, key=lambda disc: _weight(items, disc)).append(number)
            else:
                choices[0].append(number)
        _emptiest_last(items, discs, opened)
        floor = max(len(discs) - 1, 0)
    return [tuple(disc) for disc in discs]


def _weight(items: Sequence[Item], disc: Iterable[int]) -> int:
    return sum(items[number].weight for number in disc)


def _emptiest_last(items: Sequence[Item], discs: list[list[int]], opened: int) -> None:
    """Of the discs from ``opened`` on put the emptiest last: the next rank begins on it."""
    if len(discs) - opened > 1:
        places = range(len(discs) - 1, opened - 1, -1)  # of equal ones the last stays
        at = min(places, key=lambda place: _weight(items, discs[place]))
        discs.append(discs.pop(at))


class Search:
    """Tries every way to pack items on a number of discs, up to a limit of steps."""

    def __init__(self, items: Sequence[Item], capacity: int, fits: Fits, *, steps: int) -> None:
        """``capacity`` is what the least weights on a disc cannot exceed."""
        self._items = items
        self._capacity = capacity
        self._fits = fits
        self._steps = steps
        self._groups = groups_of(items)
        # What each group, and all behind it, takes from a place on.
        self._left: list[list[int]] = []
        behind = 0
        for group in reversed(self._groups):
            sums = [behind]
            for number in reversed(group):
                sums.append(sums[-1] + items[number].least)
            behind = sums[-1]
            self._left.insert(0, sums[::-1])
        self.gave_up = False

    def run(self, count: int) -> list[Disc] | None:
        """Return a packing on ``count`` discs at most.

        None means that there is none, unless ``gave_up`` says that not every way was
        tried.
        """
        found = next(self._fill(0, 0, [], 0, 0, count), None)
        return None if found is None else [tuple(disc) for disc in found]

    def _fill(
        self, group: int, place: int, discs: list[list[int]], floor: int, opened: int, count: int
    ) -> Iterator[list[list[int]]]:
        """Yield packings that go on from ``discs``; those before ``floor`` are closed.

        ``opened`` is the first disc that this group began.
        """
        if place == len(self._groups[group]):
            if group + 1 == len(self._groups):
                yield discs
                return
            ahead = [list(disc) for disc in discs]
            _emptiest_last(self._items, ahead, opened)
            yield from self._fill(group + 1, 0, ahead, len(ahead) - 1, len(ahead), count)
            return
        self._steps -= 1
        if self._steps < 0:
            self.gave_up = True
            return
        if self._is_hopeless(group, place, discs, floor, count):
            return
        if place == 0 and discs and self._fits([*discs[floor], *self._groups[group]]):
            # Nothing is won by beginning another disc with any of these.
            ahead = [*discs[:floor], [*discs[floor], *self._groups[group]]]
            yield from self._fill(group, len(self._groups[group]), ahead, floor, len(ahead), count)
            return
        number = self._groups[group][place]
        tried: set[tuple[int, int]] = set()
        for disc in discs[floor:]:
            if self.gave_up:
                return
            # Two discs that are equally full are as good as each other; the floor is
            # not one of them where a rank before may have filled it.
            kind = (self._least(disc), _weight(self._items, disc))
            if kind in tried or not self._fits([*disc, number]):
                continue
            if disc is not discs[floor] or floor >= opened:
                tried.add(kind)
            disc.append(number)
            yield from self._fill(group, place + 1, discs, floor, opened, count)
            disc.pop()
        if len(discs) < count and not self.gave_up:
            discs.append([number])
            yield from self._fill(group, place + 1, discs, floor, opened, count)
            discs.pop()

    def _least(self, disc: Iterable[int]) -> int:
        return sum(self._items[number].least for number in disc)

    def _is_hopeless(
        self, group: int, place: int, discs: list[list[int]], floor: int, count: int
    ) -> bool:
        """Whether what is left is more than all open discs have room for."""
        room = sum(self._capacity - self._least(disc) for disc in discs[floor:])
        return self._left[group][place] > room + (count - len(discs)) * self._capacity
