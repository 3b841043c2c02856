"""The entries of all trees of a disc as one list, for searching.

An ISO 9660 tree and its Joliet twin name the same files. Where path (letter case
aside), size and kind agree they become one listed entry, spelled as the later
tree spells it, so that a search shows a file once. A shortened name in one tree
stays an entry of its own, that points to its twin: both spellings are found.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from itertools import chain, compress
from typing import NamedTuple

from mediashelf.catalogue.records.listed_entries import NO_TWIN, ListedEntries, size_column
from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.pairing.tree_pairs import FilePairs, known_folders, pair_files
from mediashelf.formats.volume import DiscFacts, VolumeFacts, VolumeKind

MARK_DIRECTORY = 1
MARK_OF_KIND = {
    VolumeKind.ISO9660: 2,
    VolumeKind.JOLIET: 4,
    VolumeKind.ROCKRIDGE: 8,
    VolumeKind.UDF: 16,
    VolumeKind.FLOPPY: 64,
    VolumeKind.ARCHIVE: 128,
}
MARK_ENHANCED = 32  # the tree of an enhanced volume descriptor, beside the primary one's


def list_entries(facts: DiscFacts) -> ListedEntries:
    """Return the entries of every tree, merged where they agree, paired where names were cut."""
    listed = _Columns()
    numbers: list[array[int]] = []  # for each volume, where its entries are in the list
    for volume in facts.volumes:
        mark = MARK_ENHANCED if volume.is_enhanced else MARK_OF_KIND[volume.kind]
        own = array("I")
        for folder in iter_folders(volume.entries):
            own.extend(listed.add(folder, mark))
        numbers.append(own)
    twins = array("i", [NO_TWIN]) * len(listed.names)
    for index in range(len(facts.volumes) - 1):
        _pair_with_later(twins, facts.volumes, numbers, index)
    columns = listed.folders, listed.names, listed.sizes, bytes(listed.marks), twins
    return ListedEntries(list(listed.paths), *columns)


class _Columns:
    """The list as it grows."""

    def __init__(self) -> None:
        self.paths: dict[str, int] = {}
        self.folders = array("I")
        self.names: list[str] = []
        self.sizes = array("q")
        self.marks = bytearray()
        self._rows: dict[str, list[range]] = {}  # those in a folder, letter case aside
        self._known: dict[str, dict[_RowKey, int]] = {}  # of folders that come again and again

    def add(self, folder: Folder, mark: int) -> Sequence[int]:
        """Add the entries of a folder, and return their numbers in the list."""
        path = self.paths.setdefault(folder.path, len(self.paths))
        sizes = folder.sizes
        if folder.has_folders:  # their lengths differ between trees; each is one folder
            pairs = zip(sizes, folder.are_folders, strict=True)
            sizes = [0 if is_folder else size for size, is_folder in pairs]
        marks = folder.are_folders.translate(_marks_table(mark))
        new = _Rows(folder.names, size_column(sizes), marks)
        folded = folder.path.casefold()
        rows = self._rows.setdefault(folded, [])
        places: list[int | None] = []
        if rows:
            known = self._known_in(folded, rows)
            places = self._merge(known, new, path, mark)
            if None not in places:  # as on most discs
                rows.append(range(0))
                return [each for each in places if each is not None]
            new = new.picked([place is None for place in places])
            if folded in self._known:
                for number, key in enumerate(new.keys(), len(self.names)):
                    known.setdefault(key, number)
        numbers = range(len(self.names), len(self.names) + len(new.names))
        rows.append(numbers)
        self.folders.extend([path] * len(numbers))
        self.names += new.names
        self.sizes.extend(new.sizes)
        self.marks += new.marks
        following = iter(numbers)
        return [next(following) if each is None else each for each in places] or numbers

    def _known_in(self, folded: str, rows: list[range]) -> dict[_RowKey, int]:
        """Return where the rows of a folder are; kept if it comes more often than discs have trees.

        On a damaged disc it can come thousands of times.
        """
        if folded in self._known:
            return self._known[folded]
        known: dict[_RowKey, int] = {}
        for numbers in rows:
            part = slice(numbers.start, numbers.stop)
            there = _Rows(self.names[part], self.sizes[part], self.marks[part])
            for key, number in zip(there.keys(), numbers, strict=True):
                known.setdefault(key, number)
        if len(rows) > len(VolumeKind):
            self._known[folded] = known
        return known

    def _merge(
        self, known: Mapping[_RowKey, int], new: _Rows, path: int, mark: int
    ) -> list[int | None]:
        """Return the places of those that another tree has listed, which are now of both."""
        places: list[int | None] = []
        for key, name in zip(new.keys(), new.names, strict=True):
            place = known.get(key)
            if place is not None and self.marks[place] & mark:
                place = None  # two entries of one tree stay two, whatever they are called
            if place is not None:
                self.folders[place], self.names[place] = path, name
                self.marks[place] |= mark
            places.append(place)
        return places


_RowKey = tuple[str, int, int]


class _Rows(NamedTuple):
    """Some entries of one folder."""

    names: Sequence[str]
    sizes: array[int]
    marks: bytes | bytearray

    def keys(self) -> Iterator[_RowKey]:
        """Return what entries of several trees are one by."""
        folded = "/".join(self.names).casefold().split("/") if self.names else []
        return zip(folded, self.sizes, map(MARK_DIRECTORY.__and__, self.marks), strict=True)

    def picked(self, wanted: Sequence[bool]) -> _Rows:
        return _Rows(
            list(compress(self.names, wanted)),
            array("q", compress(self.sizes, wanted)),
            bytes(compress(self.marks, wanted)),
        )


@cache
def _marks_table(mark: int) -> bytes:
    return bytes([mark, mark | MARK_DIRECTORY]).ljust(256)


def _pair_with_later(
    twins: array[int],
    volumes: tuple[VolumeFacts, ...],
    numbers: list[array[int]],
    index: int,
) -> None:
    """Give the entries of one volume their twins; the last volume cuts names least."""
    own = numbers[index]
    for later in range(len(volumes) - 1, index, -1):
        if not any(twins[number] == NO_TWIN for number in own):
            return  # as soon as the last volume is looked at, on most discs
        is_later = bytearray(len(twins))
        for number in numbers[later]:
            is_later[number] = True
        # Of its own entries only: a damaged disc can have many volumes.
        is_alone = bytearray([twins[each] == NO_TWIN and not is_later[each] for each in own])
        if not numbers[later] or not any(is_alone):
            continue
        pairs = pair_files(volumes[index], volumes[later])
        for one, other in chain(pairs.iter_numbers(), _pair_folders(volumes, index, later, pairs)):
            if is_alone[one]:
                twins[own[one]] = numbers[later][other]


def _pair_folders(
    volumes: tuple[VolumeFacts, ...], index: int, later: int, pairs: FilePairs
) -> Iterator[tuple[int, int]]:
    """Yield the numbers of folders of one volume with those that they are in a later one."""
    others = dict(_iter_folder_paths(volumes[later]))
    paths = known_folders(pairs.votes)
    for path, number in _iter_folder_paths(volumes[index]):
        other = others.get(paths.get(path, ""))
        if other is not None:
            yield number, other


def _iter_folder_paths(volume: VolumeFacts) -> Iterator[tuple[str, int]]:
    """Yield the path of each folder with its number."""
    start = 0
    for folder in iter_folders(volume.entries):
        if folder.has_folders:
            numbers = range(start, start + len(folder.names))
            columns = zip(folder.iter_paths(), numbers, strict=True)
            yield from compress(columns, folder.are_folders)
        start += len(folder.names)
