"""The entries of all trees of a disc as one list, for searching.

An ISO 9660 tree and its Joliet twin name the same files. Where path (letter case
aside), size and kind agree they become one listed entry, spelled as the later
tree spells it, so that a search shows a file once. A shortened name in one tree
stays an entry of its own: both spellings are found.
"""

from __future__ import annotations

import unicodedata
from typing import NamedTuple

from mediashelf.formats.volume import DiscFacts, VolumeKind

MARK_DIRECTORY = 1
MARK_OF_KIND = {
    VolumeKind.ISO9660: 2,
    VolumeKind.JOLIET: 4,
    VolumeKind.ROCKRIDGE: 8,
    VolumeKind.UDF: 16,
}
MARK_ENHANCED = 32  # the tree of an enhanced volume descriptor, beside the primary one's


class ListedEntry(NamedTuple):
    """One entry as searched: its folder (empty for the root), its name, the trees that hold it."""

    folder: str
    name: str
    size: int
    marks: int


def list_entries(facts: DiscFacts) -> list[ListedEntry]:
    """Return the entries of every tree, merged."""
    entries: list[ListedEntry] = []
    places: dict[tuple[str, int, bool], int] = {}
    for volume in facts.volumes:
        mark = MARK_ENHANCED if volume.is_enhanced else MARK_OF_KIND[volume.kind]
        for entry in volume.entries:
            folder, _, name = entry.path.rpartition("/")
            # The lengths of directories differ between trees; they are the same folder.
            size = 0 if entry.is_directory else entry.size
            marks = mark | MARK_DIRECTORY if entry.is_directory else mark
            key = (entry.path.casefold(), size, entry.is_directory)
            place = places.setdefault(key, len(entries))
            if place == len(entries):
                entries.append(ListedEntry(folder, name, size, marks))
            elif entries[place].marks & mark:
                # Two entries of one tree stay two, whatever they are called.
                entries.append(ListedEntry(folder, name, size, marks))
            else:
                entries[place] = ListedEntry(folder, name, size, entries[place].marks | marks)
    return entries


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
