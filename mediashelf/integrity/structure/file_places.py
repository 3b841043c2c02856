"""Where the files of a tree are, as one number for each: a disc may have a million in two trees."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.formats.entries import Folder
from mediashelf.formats.volume import HOLE, Extent

NO_BLOCK = 1 << 64
"""Places below are of files with bytes and without a block, such as interleaved ones."""


def file_places(folder: Folder) -> list[int]:
    """Return where each file begins and how many bytes it has, as one number.

    It is 0 for directories, and for files that have no bytes in blocks of their own.
    """
    files = folder.sizes, folder.are_folders
    if folder.extents is None:
        columns = zip(folder.lbas, *files, strict=True)
        return [0 if is_other or not size else lba << 64 | size for lba, size, is_other in columns]
    return [
        0
        if is_other or not size or is_embedded(extents)
        else (extents[0].lba if extents else 0) << 64 | size
        for extents, size, is_other in zip(folder.extents, *files, strict=True)
    ]


def is_embedded(extents: Sequence[Extent]) -> bool:
    """Tell whether some bytes of a file are inside its record, or not recorded (UDF)."""
    if len(extents) == 1:  # as of most
        ((lba, _, offset),) = extents
        return offset != 0 or lba == HOLE
    return any(extent.offset or extent.lba == HOLE for extent in extents)
