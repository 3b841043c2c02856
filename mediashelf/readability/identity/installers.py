"""Which systems' installers are on a disc: told by marks in its tree, and never more than a note.

A mark is a set of files in one folder. The names are those that the installers themselves
look for; nothing about them was found published, so each says what it rests on. One tree
is asked, the least cut one that could be read.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import DiscFacts, VolumeFacts


class InstallerMark(NamedTuple):
    """Files that are together in a folder where this family's installer is.

    ``lacks`` is a file that is not there, by which two families are told apart. ``folder``
    is the name of the folder, an empty text for any.
    """

    family: str
    files: frozenset[str]
    source: str
    lacks: str = ""
    folder: str = ""


MARKS = (
    InstallerMark("dos", frozenset({"SETUP.EXE", "DOSSETUP.INI"}), "from memory"),
    InstallerMark("win9x", frozenset({"SETUP.EXE", "PRECOPY1.CAB"}), "common practice"),
    InstallerMark(
        "nt4", frozenset({"WINNT.EXE", "TXTSETUP.SIF"}), "common practice", "DRIVER.CAB", "I386"
    ),
    InstallerMark(
        "nt5", frozenset({"WINNT.EXE", "TXTSETUP.SIF", "DRIVER.CAB"}), "common practice", "", "I386"
    ),
    InstallerMark("nt6", frozenset({"BOOT.WIM", "SETUP.EXE"}), "common practice", folder="SOURCES"),
)


class FoundInstaller(NamedTuple):
    """A family's installer, the folder that it was told by, and what the mark rests on."""

    family: str
    folder: str
    source: str


def iter_installers(facts: DiscFacts) -> Iterator[FoundInstaller]:
    """Yield each family once, with the first folder that has its mark."""
    volume = max(
        (each for each in facts.volumes if each.entries_read and each.entries),
        key=lambda each: len(each.entries),
        default=None,
    )
    if volume is None:
        return
    folders = _marked_names(volume)
    for mark in MARKS:
        for folder, names in folders.items():
            is_there = not mark.folder or folder.rpartition("/")[2].upper() == mark.folder
            if is_there and mark.files <= names and mark.lacks not in names:
                yield FoundInstaller(mark.family, folder or "/", mark.source)
                break


_NAMES = frozenset().union(*(mark.files | {mark.lacks} for mark in MARKS)) - {""}


def _marked_names(volume: VolumeFacts) -> dict[str, set[str]]:
    """Return the folders that have any of the names, with those of them that they have."""
    folders: dict[str, set[str]] = defaultdict(set)
    for folder in iter_folders(volume.entries):
        every = "/".join(folder.names).upper()
        if not any(name in every for name in _NAMES):  # as in most: asked in a tenth of the time
            continue
        for name, is_folder in zip(folder.names, folder.are_folders, strict=True):
            upper = name.upper()
            if upper in _NAMES and not is_folder:
                folders[folder.path].add(upper)
    return folders
