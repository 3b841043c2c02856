"""The directories of a disc and its path tables, as bytes (ECMA-119 9.1 and 9.4)."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence

from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.naming.layout import (
    path_table_record_size,
    path_table_sectors,
    record_size,
)
from mediashelf.building.sources.clock import record_date
from mediashelf.building.writing.fields import both_16, both_32
from mediashelf.formats.volume import FLAG_DIRECTORY, SECTOR_SIZE

ROOT_IDENTIFIER = b"\0"
"""Of the root, and of each directory in its own first record (ECMA-119 7.6.2; Joliet: the same)."""

_PARENT_IDENTIFIER = b"\1"  # in the second record (7.6.2)
_VOLUME = both_16(1)  # volume sequence number (9.1.9): the one volume of its set
_NO_EXTENT = bytes(8)  # of an empty file, in both orders (own behaviour)

# 9.1.1 length of the record, 9.1.2 extended attribute record length, 9.1.3 extent,
# 9.1.4 data length, 9.1.5 date, 9.1.6 flags, 9.1.7 file unit size, 9.1.8 interleave gap
# size, 9.1.9 volume sequence number, 9.1.10 length of the identifier.
_RECORD = struct.Struct("<BB8s8s7sBBB4sB")
assert _RECORD.size == 33

# 9.4.1 length of the identifier, 9.4.2 extended attribute record length, 9.4.3 extent,
# 9.4.4 number of the parent.
_PATH_TABLE_RECORDS = {"little": struct.Struct("<BBIH"), "big": struct.Struct(">BBIH")}


def directory_record(identifier: bytes, directory: PlannedDirectory) -> bytes:
    """Return a record that leads to a directory; its date is that of the directory."""
    date = record_date(directory.folder.modified)
    return _record(identifier, both_32(directory.lba), directory.size, date, FLAG_DIRECTORY)


def directory_data(directory: PlannedDirectory) -> bytes:
    """Return all records of a directory, in whole sectors.

    First itself and its parent (6.8.2.2; the root is its own parent), then its children
    in their order. No record crosses the end of a sector; the rest is zeros (6.8.1.1).
    """
    records = [
        directory_record(ROOT_IDENTIFIER, directory),
        directory_record(_PARENT_IDENTIFIER, directory.parent or directory),
    ]
    for identifier, item in zip(directory.identifiers(), directory.items, strict=True):
        if isinstance(item, PlannedDirectory):
            records.append(directory_record(identifier, item))
        else:
            content = item.content
            extent = both_32(content.lba) if content.size else _NO_EXTENT
            date = record_date(item.modified)
            records.append(_record(identifier, extent, content.size, date, 0))
    return _in_sectors(records, directory.size)


def _record(identifier: bytes, extent: bytes, size: int, date: bytes, flags: int) -> bytes:
    length = record_size(identifier)
    fixed = _RECORD.pack(
        length, 0, extent, both_32(size), date, flags, 0, 0, _VOLUME, len(identifier)
    )
    return (fixed + identifier).ljust(length, b"\0")  # 9.1.12: a pad byte after an even identifier


def _in_sectors(records: Iterable[bytes], size: int) -> bytes:
    data = bytearray()
    for record in records:
        room = -len(data) % SECTOR_SIZE
        if len(record) > room and data:
            data += bytes(room)
        data += record
    return bytes(data.ljust(size, b"\0"))


def path_table_size(directories: Iterable[PlannedDirectory]) -> int:
    """Return the bytes of a path table's records (ECMA-119 8.4.13)."""
    return sum(path_table_record_size(directory.identifier) for directory in directories)


def path_table(directories: Sequence[PlannedDirectory], order: str) -> bytes:
    """Return a path table in whole sectors: ``little`` for type L, ``big`` for type M (6.9.2).

    Records are in the order of the levels, then of their parents, then of their
    identifiers (6.9.1), and are numbered so; the root is its own parent.
    """
    pack = _PATH_TABLE_RECORDS[order].pack
    table = bytearray()
    for directory in directories:
        identifier = directory.identifier
        parent = directory.parent or directory
        table += pack(len(identifier), 0, directory.lba, parent.number)
        table += identifier + bytes(
            len(identifier) % 2
        )  # 9.4.5; 9.4.6: a pad byte after an odd one
    return bytes(table.ljust(path_table_sectors(directories) * SECTOR_SIZE, b"\0"))
