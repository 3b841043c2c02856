"""Where the contents of files begin: the block by which trees of a disc know the same file."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.formats.entries import Folder
from mediashelf.formats.volume import Entry, Extent

NO_PLACE = -1
"""Stands for the block of a file that has no contents."""

IS_FOLDER = -2
"""Stands there for a folder."""


def content_place(entry: Entry) -> int:
    """Return the block where a file's contents start, NO_PLACE for a file without any.

    A small file that UDF embeds in its file entry has no block of its own, and
    so can't be told by it from its copy in another tree.
    """
    return _content_place(entry.extents, entry.size)


def _content_place(extents: tuple[Extent, ...], size: int) -> int:
    if not extents or not size:
        return NO_PLACE
    lba, _, offset = extents[0]
    return NO_PLACE if offset else lba


def content_places(folder: Folder) -> Sequence[int]:
    """Return the same for each entry of a folder: a block, NO_PLACE, or IS_FOLDER."""
    places = _all_places(folder)
    if not folder.has_folders:
        return places
    pairs = zip(places, folder.are_folders, strict=True)
    return [IS_FOLDER if is_folder else place for place, is_folder in pairs]


def _all_places(folder: Folder) -> Sequence[int]:
    if folder.extents is not None:
        return list(map(_content_place, folder.extents, folder.sizes))
    if 0 not in folder.sizes:
        return folder.lbas
    pairs = zip(folder.lbas, folder.sizes, strict=True)
    return [lba if size else NO_PLACE for lba, size in pairs]
