"""Where the bytes of entries are, as numbers: by these, trees of a disc know each other's files."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

from mediashelf.formats.entries import Folder
from mediashelf.formats.volume import HOLE, Extent

OWN_PLACE = -1
"""Stands for the place of bytes that are nowhere that another tree could name."""


def places_of(folder: Folder, block_size: int) -> list[int]:
    """Return where the bytes of each entry are: one number, equal where the bytes are the same.

    It tells the first byte and how many there are, of every run where they are several. It is
    0 for an entry without bytes, and :data:`OWN_PLACE` for one whose bytes no other tree can
    name: UDF keeps them in its record, did not record all of them, or they were not found.
    """
    factor = block_size << 64
    if folder.extents is not None:
        return [
            extents[0][0] * factor | size
            if len(extents) == 1 and size and extents[0][0] != HOLE and not extents[0][2]
            else _place_of_runs(extents, size, block_size)
            for extents, size in zip(folder.extents, folder.sizes, strict=True)
        ]
    pairs = zip(folder.lbas, folder.sizes, strict=True)
    if 0 in folder.sizes:
        return [lba * factor | size if size else 0 for lba, size in pairs]
    return [lba * factor | size for lba, size in pairs]


def _place_of_runs(extents: Sequence[Extent], size: int, block_size: int) -> int:
    if not size:
        return 0
    if not extents or extents[0][2]:  # as of most that come here
        return OWN_PLACE
    if any(lba == HOLE or offset for lba, _, offset in extents):
        return OWN_PLACE
    # Trees cut the same bytes into sections of different lengths.
    starts: list[int] = []
    end = -1
    for lba, length, _ in extents:
        start = lba * block_size
        if start != end:
            starts += (end, start)
        end = start + length
    return reduce(lambda place, number: place << 64 | number, (*starts[1:], size))
