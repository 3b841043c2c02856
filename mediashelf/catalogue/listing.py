"""The entries of all trees of a disc as one list, for searching.

An ISO 9660 tree and its Joliet twin name the same files. Where path (letter case
aside), size and kind agree they become one listed entry, spelled as the later
tree spells it, so that a search shows a file once. A shortened name in one tree
stays an entry of its own, that points to its twin: both spellings are found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import repeat
from typing import Any, NamedTuple

from mediashelf.formats.tree_pairs import pair_folders, pair_trees
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

_new: Callable[..., Any] = tuple.__new__


class ListedEntry(NamedTuple):
    """One entry as searched: its folder (empty for the root), its name, the trees that hold it.

    ``twin`` is the number in the list of the same file or folder in a tree that cuts
    names less, None for the only or the least cut name.
    """

    folder: str
    name: str
    size: int
    marks: int
    twin: int | None = None


def list_entries(facts: DiscFacts) -> list[ListedEntry]:
    """Return the entries of every tree, merged where they agree, paired where names were cut."""
    folders: list[str] = []  # column by column, as there can be 100,000 entries
    names: list[str] = []
    sizes: list[int] = []
    marks: list[int] = []
    places: dict[tuple[str, int, bool], int] = {}
    texts: dict[str, str] = {}  # of folders, each once
    numbers: list[list[int]] = []  # for each volume, where its entries are in the list
    for volume in facts.volumes:
        mark = MARK_ENHANCED if volume.is_enhanced else MARK_OF_KIND[volume.kind]
        own: list[int] = []
        numbers.append(own)
        # Nothing is looked up after the last tree, and its places need not be kept.
        find = places.get if volume is facts.volumes[-1] else places.setdefault
        for path, _, size, is_directory, _, _, _, _ in volume.entries:
            folder, _, name = path.rpartition("/")
            if is_directory:  # lengths of directories differ between trees; it is one folder
                size = 0
            last = len(names)
            place = find((path.casefold(), size, is_directory), last)
            if place < last and not marks[place] & mark:
                folders[place], names[place] = texts.setdefault(folder, folder), name
                marks[place] |= mark
            else:
                # Two entries of one tree stay two, whatever they are called.
                place = last
                folders.append(texts.setdefault(folder, folder))
                names.append(name)
                sizes.append(size)
                marks.append(mark | MARK_DIRECTORY if is_directory else mark)
            own.append(place)
    places.clear()
    twins: list[int | None] = [None] * len(names)
    for index in range(len(facts.volumes) - 1):
        _pair_with_later(twins, facts.volumes, numbers, index)
    columns = zip(folders, names, sizes, marks, twins, strict=True)
    return list(map(_new, repeat(ListedEntry), columns))


def _pair_with_later(
    twins: list[int | None],
    volumes: tuple[VolumeFacts, ...],
    numbers: list[list[int]],
    index: int,
) -> None:
    """Give the entries of one volume their twins; the last volume cuts names least."""
    for later in range(len(volumes) - 1, index, -1):
        known = set(numbers[later])
        alone = {number for number in numbers[index] if twins[number] is None} - known
        if not alone or not known:
            continue
        pairs = pair_trees(volumes[index], volumes[later])
        pairs |= pair_folders(pairs)
        places = _places(volumes[later], numbers[later])
        for path, number in _places(volumes[index], numbers[index]).items():
            if number in alone:
                twins[number] = places.get(pairs.get(path, ""))


def _places(volume: VolumeFacts, numbers: list[int]) -> dict[str, int]:
    """Return where the entries of a volume are in the list, by path; of one path the first."""
    paths = [entry[0] for entry in volume.entries]
    return dict(zip(reversed(paths), reversed(numbers), strict=True))


def count_entries(listing: Iterable[ListedEntry]) -> int:
    """Return how many files and folders a list holds, each once, whatever names it has."""
    return sum(entry.twin is None for entry in listing)
