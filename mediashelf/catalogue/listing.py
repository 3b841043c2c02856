"""The entries of all trees of a disc as one list, for searching.

An ISO 9660 tree and its Joliet twin name the same files. Where path (letter case
aside), size and kind agree they become one listed entry, spelled as the later
tree spells it, so that a search shows a file once. A shortened name in one tree
stays an entry of its own, that points to its twin: both spellings are found.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

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
    entries: list[ListedEntry] = []
    places: dict[tuple[str, int, bool], int] = {}
    folders: dict[str, str] = {}  # each text once
    numbers: list[dict[str, int]] = []  # for each volume, paths to numbers in the list
    new, shared = tuple.__new__, folders.setdefault
    for volume in facts.volumes:
        mark = MARK_ENHANCED if volume.is_enhanced else MARK_OF_KIND[volume.kind]
        own: dict[str, int] = {}
        numbers.append(own)
        for path, _, size, is_directory, _, _, _, _ in volume.entries:
            folder, _, name = path.rpartition("/")
            folder, marks = shared(folder, folder), mark
            if is_directory:  # lengths of directories differ between trees; it is one folder
                size, marks = 0, mark | MARK_DIRECTORY
            last = len(entries)
            place = places.setdefault((path.casefold(), size, is_directory), last)
            if place < last and not entries[place][3] & mark:
                marks |= entries[place][3]
                entries[place] = new(ListedEntry, (folder, name, size, marks, None))
            else:
                # Two entries of one tree stay two, whatever they are called.
                place = last
                entries.append(new(ListedEntry, (folder, name, size, marks, None)))
            own.setdefault(path, place)
    for index in range(len(facts.volumes) - 1):
        _pair_with_later(entries, facts.volumes, numbers, index)
    return entries


def _pair_with_later(
    entries: list[ListedEntry],
    volumes: tuple[VolumeFacts, ...],
    numbers: list[dict[str, int]],
    index: int,
) -> None:
    """Give the entries of one volume their twins; the last volume cuts names least."""
    for later in range(len(volumes) - 1, index, -1):
        known = set(numbers[later].values())
        alone = {
            path: number
            for path, number in numbers[index].items()
            if number not in known and entries[number].twin is None
        }
        if not alone or not known:
            continue
        twins = pair_trees(volumes[index], volumes[later])
        twins |= pair_folders(twins)
        for path, number in alone.items():
            twin = numbers[later].get(twins.get(path, ""))
            if twin is not None:
                entries[number] = entries[number]._replace(twin=twin)


def count_entries(listing: Iterable[ListedEntry]) -> int:
    """Return how many files and folders a list holds, each once, whatever names it has."""
    return sum(entry.twin is None for entry in listing)
