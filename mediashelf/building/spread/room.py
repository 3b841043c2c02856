"""How many units fit on a disc: mostly by sums, near the border by the layout it will have."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from itertools import count
from typing import Any

from mediashelf.building.naming.layout import sectors_for
from mediashelf.building.spread.alone import Measured
from mediashelf.building.spread.measuring import Measure
from mediashelf.building.spread.packing import Item
from mediashelf.building.spread.units import Parts, Unit
from mediashelf.building.spread.window import Growth, Window

# What a folder takes beside its own sectors, at the most, and its name twice for each of two
# bytes a character: records in the folders above (ISO, /DEEP, Joliet) and twice in the path
# tables of both trees, with a short name of 12 characters (ECMA-119 9.1, 9.4).
_FOLDER_BYTES = 256
_NAME_BYTES = 6  # a character of a Joliet name: once in a record, twice in path tables
_FILE_BYTES = 256  # the records of one file in both trees
_FOLDER_SECTORS = 2  # one in each tree, at the least

MOST_LAID_OUT = 400
"""Discs near the border that are laid out; what comes later must fit by sums."""


class DiscRoom:
    """Discs of the recipe's capacity; units are asked for by number.

    Most questions are answered from a set that was laid out and what each unit after it
    adds at the least and at the most; only where that decides nothing a disc is laid out.
    """

    def __init__(self, measure: Measure, units: Sequence[Unit], alone: Sequence[Measured]) -> None:
        self._measure = measure
        self._units = units
        base = measure.empty
        self.capacity = measure.capacity
        self.empty = base.sectors
        self.alone = [one.sectors for one in alone]
        same: dict[Any, Any] = {}  # of thousands of loose files most are alike
        self.above: list[frozenset[Parts]] = [
            same.setdefault(above, above) for above in map(_above, units)
        ]
        growths = (
            Growth(
                least,
                one.sectors - base.sectors - _FOLDER_SECTORS * len(above),
                _loose_bytes(unit) + one.index_size - base.index_size,
            )
            for unit, one, above, least in zip(
                units, alone, self.above, _added_sectors(units), strict=True
            )
        )
        self.growths: list[Growth] = [same.setdefault(growth, growth) for growth in growths]
        self.laid_out = 0
        self.rate = 0.0
        """Sectors of the disc that was laid out last by those that its units add at the least."""

    def items(self) -> list[Item]:
        """Return what packing needs to know of each unit."""
        ranks = sorted({_rank(unit) for unit in self._units})
        items = (
            Item(self.alone[number] - self.empty, ranks.index(_rank(unit)))
            for number, unit in enumerate(self._units)
        )
        same: dict[Item, Item] = {}
        return [same.setdefault(item, item) for item in items]

    def least_discs(self) -> int:
        """Return how many discs any way of packing takes, at the least."""
        room = max(self.capacity - self.empty, 1)
        return -(-sum(growth.least for growth in self.growths) // room)

    def open_disc(self) -> FillingDisc:
        """Return a disc without any unit."""
        return FillingDisc(self)

    def sectors(self, chosen: Iterable[int]) -> int:
        """Return the sectors of the disc with these units, its pages included."""
        self.laid_out += 1
        return self._measure.measure([self._units[number] for number in sorted(chosen)]).sectors


class FillingDisc:
    """One disc that takes units; in doubt it does not."""

    def __init__(self, room: DiscRoom) -> None:
        self._room = room
        self._numbers: list[int] = []
        self._above: set[Parts] = set()
        self._low = room.empty  # the least sectors that it takes
        self._high = Growth(most=room.empty)
        self._least = 0  # what its units add at the least

    def take(self, numbers: Sequence[int]) -> int:
        """Take as many of these as fit, in their order; return how many."""
        room = self._room
        window = Window(self._sums(numbers), self._low, self._high, room.capacity)
        if numbers and not self._numbers:
            window.learn(1, room.alone[numbers[0]])
        for attempt in count():
            if window.is_decided or room.laid_out >= MOST_LAID_OUT:
                break
            at = self._next_try(window, is_halving=attempt % 2 == 1)
            sectors = room.sectors([*self._numbers, *numbers[:at]])
            window.learn(at, sectors)
            room.rate = (sectors - room.empty) / max(self._least + window.sums[at].least, 1)
        taken = numbers[: window.fits]
        self._numbers += taken
        self._above.update(*(room.above[number] for number in taken))
        self._least += window.sums[window.fits].least
        self._low, self._high = window.taken
        return len(taken)

    def _next_try(self, window: Window, *, is_halving: bool) -> int:
        """Return how many units to lay the disc out with: where it is full, as far as is known."""
        room, fits, fails = self._room, window.fits, window.fails
        if is_halving or not room.rate:  # whatever the rate is, a few tries are enough
            return (fits + fails) // 2
        most = (room.capacity - room.empty) / room.rate - self._least
        at = bisect_right(window.sums, most, key=lambda grown: grown.least) - 1
        return min(max(at, fits + 1), fails - 1)

    def _sums(self, numbers: Sequence[int]) -> list[Growth]:
        """Return what the first of these units add together: none, one, two and so on.

        What follows one more than can fit is left out.
        """
        sums = [Growth()]
        seen: set[Parts] = set()
        for number in numbers:
            new = self._room.above[number] - self._above - seen
            sectors = _FOLDER_SECTORS * len(new)
            above = Growth(sectors, sectors, _folder_bytes(new)) if new else Growth()
            sums.append(sums[-1].plus(self._room.growths[number]).plus(above))
            if self._low + sums[-1].least > self._room.capacity:
                break
            seen |= new
        return sums


def _rank(unit: Unit) -> tuple[bool, int]:
    # The disc that boots is the first, whatever the recipe's order.
    return not unit.has_boot, unit.order


def _above(unit: Unit) -> frozenset[Parts]:
    """Return the folders that a unit may share; alone each has one sector in each tree."""
    holding = {*unit.folders, *(placed.folder for placed in unit.placed)}
    above = {folder[:depth] for folder in holding for depth in range(1, len(folder) + 1)}
    return frozenset(above.difference(unit.folders))


def _folder_bytes(folders: Collection[Parts]) -> int:
    return len(folders) * _FOLDER_BYTES + _NAME_BYTES * sum(
        len(folder[-1]) for folder in folders if folder
    )


def _loose_bytes(unit: Unit) -> int:
    """Return what a unit may add to tables, and to folders that it shares with others."""
    own = {folder for folder in unit.folders if folder}
    files = sum(len(placed.files) for placed in unit.placed if placed.folder not in own)
    return _folder_bytes(unit.folders or ((),)) + files * _FILE_BYTES


def _added_sectors(units: Sequence[Unit]) -> list[int]:
    """Return what each unit adds to every disc, at the least: folders, and its own contents."""
    equal = {id(file.own.equal_to) for unit in units for file in unit.iter_files()}
    sharing = Counter(
        id(content) for unit in units for content in unit.iter_contents() if id(content) in equal
    )
    added = []
    for unit in units:
        contents = (one for one in unit.iter_contents() if sharing[id(one)] <= 1)
        sectors = sum(sectors_for(content.size) for content in contents)
        added.append(sectors + _FOLDER_SECTORS * sum(1 for folder in unit.folders if folder))
    return added
