"""The records of one directory (ECMA-119 9.1) as values, and what few of them have."""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.formats.iso.directories.record_columns import DirectoryRecord, RecordColumns
from mediashelf.formats.iso.directories.record_problems import FIXED_SIZE

SELF_IDENTIFIER = b"\x00"  # 7.6.2
PARENT_IDENTIFIER = b"\x01"


class Geometry(NamedTuple):
    """What extents of one volume are measured against; sizes in bytes."""

    block_size: int
    image_size: int
    volume_size: int
    sequence_number: int = 1

    @property
    def block_count(self) -> int:
        """Whole and partial blocks that the image really has."""
        return -(-self.image_size // self.block_size)


class DirectoryRecords(NamedTuple):
    """What one directory's extent holds.

    ``furthest`` is the largest byte offset that a record's extent reaches.
    ``has_oddities`` tells that some record has an unusual field, so that a
    second look is worth its time, ``has_sections`` that some file has several
    sections. ``is_complete`` is False when a sector was left before its end.
    """

    self_record: DirectoryRecord | None
    parent_record: DirectoryRecord | None
    children: RecordColumns
    furthest: int
    has_oddities: bool
    has_sections: bool
    has_paddings: bool  # other than zero, after some identifier, or what stands in their place
    is_complete: bool
    with_system_use: int  # records that have bytes for systems after their identifier (9.1.13)


def system_use_of(data: bytes, record: DirectoryRecord) -> bytes:
    """Return the system use bytes of ``record``; ``data`` is its directory's."""
    start = record.at + FIXED_SIZE + len(record.identifier)
    return data[start + (len(record.identifier) % 2 == 0) : record.at + data[record.at]]


def is_interleaved(data: bytes, record: DirectoryRecord) -> bool:
    """Whether the file's blocks are mixed with those of others (unit or gap not zero)."""
    return bool(data[record.at + 26] or data[record.at + 27])
