"""Where the contents of entries are, as numbers: by these, trees of a disc know their files."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

from mediashelf.formats.entries import Folder
from mediashelf.formats.volume import HOLE, Extent

NO_PLACE = -1
"""Stands for the place of contents that are nowhere that another tree could name, or are none."""


def begins_of(folder: Folder) -> Sequence[int]:
    """Return the block where the contents of each entry begin.

    It is :data:`NO_PLACE` for an entry without bytes, and for one whose bytes no other tree can
    name: UDF keeps them in its record or did not record the first of them, or they were not found.
    """
    if folder.extents is not None:
        return [
            extents[0][0] if size and extents and not extents[0][2] else NO_PLACE
            for extents, size in zip(folder.extents, folder.sizes, strict=True)
        ]
    if 0 not in folder.sizes:
        return folder.lbas
    pairs = zip(folder.lbas, folder.sizes, strict=True)
    return [lba if size else NO_PLACE for lba, size in pairs]


def places_of(folder: Folder, block_size: int) -> list[int]:
    """Return where the bytes of each entry are: one number, equal where the bytes are the same.

    It tells the first byte and how many there are, of every run where they are several. It is
    0 for an entry without bytes, and :data:`NO_PLACE` for one whose bytes no other tree can
    name, or not all of them.
    """
    factor, begins = block_size << 64, begins_of(folder)
    if folder.extents is not None:
        return [
            begin * factor | size
            if begin != NO_PLACE and len(extents) == 1
            else _place_of_runs(extents, size, block_size)
            for begin, extents, size in zip(begins, folder.extents, folder.sizes, strict=True)
        ]
    pairs = zip(begins, folder.sizes, strict=True)
    if 0 in folder.sizes:
        return [begin * factor | size if size else 0 for begin, size in pairs]
    return [begin * factor | size for begin, size in pairs]


def _place_of_runs(extents: Sequence[Extent], size: int, block_size: int) -> int:
    if not size:
        return 0
    if not extents or extents[0][2]:  # as of most that come here
        return NO_PLACE
    if any(lba == HOLE or offset for lba, _, offset in extents):
        return NO_PLACE
    # Trees cut the same bytes into sections of different lengths.
    starts: list[int] = []
    end = -1
    for lba, length, _ in extents:
        start = lba * block_size
        if start != end:
            starts += (end, start)
        end = start + length
    return reduce(lambda place, number: place << 64 | number, (*starts[1:], size))
