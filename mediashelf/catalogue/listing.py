"""The entries of all trees of a disc as one list, for searching.

An ISO 9660 tree and its Joliet twin name the same files. Where path (letter case
aside), size and kind agree they become one listed entry, spelled as the later
tree spells it, so that a search shows a file once. A shortened name in one tree
stays an entry of its own: both spellings are found.
"""

from __future__ import annotations

import unicodedata
from typing import NamedTuple

from mediashelf.formats.volume import DiscFacts, VolumeFacts, VolumeKind

MARK_DIRECTORY = 1
MARK_OF_KIND = {
    VolumeKind.ISO9660: 2,
    VolumeKind.JOLIET: 4,
    VolumeKind.ROCKRIDGE: 8,
    VolumeKind.UDF: 16,
}
MARK_ENHANCED = 32  # the tree of an enhanced volume descriptor, beside the primary one's

ROOT = 0
"""The number that stands for the root directory; entries are counted from 1."""


class ListedEntry(NamedTuple):
    """One entry as searched: the number of its parent, its name, and the trees that hold it."""

    parent: int
    name: str
    size: int
    marks: int


def list_entries(facts: DiscFacts) -> list[ListedEntry]:
    """Return the entries of every tree, merged; entry N stands at index N - 1."""
    listing = _Listing()
    for volume in facts.volumes:
        listing.add(volume)
    return listing.entries


class _Listing:
    def __init__(self) -> None:
        self.entries: list[ListedEntry] = []
        self._numbers: dict[tuple[str, int, bool], int] = {}
        self._folders: dict[str, int] = {"": ROOT}

    def add(self, volume: VolumeFacts) -> None:
        mark = MARK_ENHANCED if volume.is_enhanced else MARK_OF_KIND[volume.kind]
        for entry in volume.entries:
            marks = mark | MARK_DIRECTORY if entry.is_directory else mark
            # The lengths of directories differ between trees; they are the same folder.
            size = 0 if entry.is_directory else entry.size
            self._put(entry.path, size, marks)

    def _put(self, path: str, size: int, marks: int) -> int:
        is_directory = bool(marks & MARK_DIRECTORY)
        key = (path.casefold(), size, is_directory)
        number = self._numbers.get(key)
        # Two entries of one tree stay two, whatever they are called.
        if number is not None and not self.entries[number - 1].marks & marks & ~MARK_DIRECTORY:
            known = self.entries[number - 1]
            name = path.rpartition("/")[2]
            self.entries[number - 1] = known._replace(name=name, marks=known.marks | marks)
            return number
        folder, _, name = path.rpartition("/")
        parent = self._parent(folder, marks)
        self.entries.append(ListedEntry(parent, name, size, marks))
        number = len(self.entries)
        self._numbers[key] = number
        if is_directory:
            self._folders.setdefault(key[0], number)
        return number

    def _parent(self, folder: str, marks: int) -> int:
        """Return the number of a folder; one that damage has hidden is listed by its name."""
        hidden = []
        while folder.casefold() not in self._folders:
            hidden.append(folder)
            folder = folder.rpartition("/")[0]
        for place in reversed(hidden):
            self._put(place, 0, marks | MARK_DIRECTORY)
            folder = place
        return self._folders[folder.casefold()]


def fold(text: str) -> str:
    """Return the form in which names are compared: letter case and width do not count.

    Compatibility composition first (Unicode NFKC), so that a name that another
    system wrote with combining marks is the same. NUL and lone surrogates, which
    the index cannot hold, become U+FFFD.
    """
    if text.isascii():
        return text.lower().replace("\0", "\ufffd")
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())
    return "".join(
        "\ufffd" if character == "\0" or "\ud800" <= character <= "\udfff" else character
        for character in folded
    )
