"""Where the contents of a tree's files begin, which begin together, and what another lacks."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable
from functools import cached_property
from itertools import compress
from operator import ne

from mediashelf.formats.entries import Folder
from mediashelf.formats.pairing.places import NO_PLACE, begins_of

IS_FOLDER = -2
"""Stands for the block of a folder."""

_NO_ENTRY = -1
_MANY = 100_000  # entries from which on sets and dicts take memory that counts
_BLOCKS_EACH = 16  # blocks for each entry up to which a table of all blocks takes less


class FilePlaces:
    """The block where each entry starts, if it is a file; NO_PLACE without contents.

    Entries go by their numbers, and the last at a block stands for those before it.
    """

    def __init__(self, folders: Iterable[Folder]) -> None:
        self.all = array("q")
        for folder in folders:
            found = begins_of(folder)
            if folder.has_folders:
                pairs = zip(found, folder.are_folders, strict=True)
                found = [IS_FOLDER if is_folder else place for place, is_folder in pairs]
            self.all.extend(iter(found))  # which may be an array of another kind
        self._end = max(max(self.all, default=0), NO_PLACE) + 1

    @cached_property
    def _table(self) -> array[int] | None:
        """The number of the last entry at each block, of many entries."""
        places = self.all
        if len(places) < _MANY or self._end > _BLOCKS_EACH * len(places):
            return None
        if min(places) < IS_FOLDER:
            return None
        # What stands for no block counts from the end.
        table = array("i", [_NO_ENTRY]) * (self._end - IS_FOLDER)
        for number, place in enumerate(places):
            table[place] = number
        return table

    def finder(self) -> Callable[[int], int | None]:
        """Return what tells the number of the last entry at a place, None where there is none."""
        table, end = self._table, self._end
        if table is None:
            return dict(zip(self.all, range(len(self.all)), strict=True)).get

        def number_at(place: int) -> int | None:
            return table[place] if place < end and table[place] != _NO_ENTRY else None

        return number_at

    @cached_property
    def _number_at(self) -> Callable[[int], int | None]:
        return self.finder()

    @cached_property
    def shared(self) -> dict[int, list[int]]:
        """The files that start at a block, for each block where several do."""
        places = self.all
        several: dict[int, list[int]] = {}
        if self._table is not None:
            is_earlier = map(ne, map(self._table.__getitem__, places), range(len(places)))
            several = {place: [] for place in compress(places, is_earlier)}
        else:
            once: set[int] = set()
            for place in places:
                if place in once:
                    several[place] = []
                else:
                    once.add(place)
        several.pop(IS_FOLDER, None)
        for number, place in enumerate(places) if several else ():
            if place in several:
                several[place].append(number)
        return several

    def numbers_at(self, place: int) -> list[int]:
        """Return the numbers of the files whose contents start at this block."""
        numbers = self.shared.get(place)
        if numbers is None:
            number = self._number_at(place)
            numbers = [] if number is None else [number]
        return numbers

    def lacking_in(self, other: FilePlaces) -> set[int]:
        """Return the places of files here that the other does not have."""
        table, end = other._table, other._end
        if table is None:
            missing = set(self.all)
            missing.difference_update(other.all)
        else:
            missing = {place for place in self.all if place >= end or table[place] == _NO_ENTRY}
        missing.discard(IS_FOLDER)
        return missing
