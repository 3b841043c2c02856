"""Partition tables in an image's system area, by which firmware takes it for a disk.

ISO 9660 leaves the first 16 sectors to others (ECMA-119 6.2.1). A hybrid image has there::

    446  4 entries of 16 bytes: 0 status, 4 type, 8 first sector, 12 count (little-endian)
    510  0x55 0xAA
    512  "EFI PART"  (GUID partition table, with type 0xEE in the first table)

in sectors of 512 bytes. The layouts are from memory of the UEFI Specification, 5.2 and
5.3; what counts as hybrid is our own behaviour.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from msgspec import Struct

from mediashelf.formats.fields import View

HEAD_SIZE = 1024  # bytes at the beginning in which it shows
SECTOR = 512
_TABLE, _ENTRY, _ENTRIES = 446, 16, 4
_SIGNATURE = b"\x55\xaa"
_GPT = b"EFI PART"
_SECOND_HEADER = 32  # in the first one: the sector of the second, at the disk's end
_PROTECTIVE = 0xEE
_STATUS = (0x00, 0x80)


class PartitionTable(Struct, frozen=True):
    """A partition table: ``kind`` is MBR or GPT, ``types`` those of the MBR's partitions."""

    kind: str
    types: tuple[int, ...]


def detect_partition_table(head: bytes, size: int) -> PartitionTable | None:
    """Return the table at the beginning of an image of ``size`` bytes, None where there is none.

    ``head`` are its first bytes, 1024 at least. Boot code alone does not count: some
    partition must lie inside the image and every entry make sense.
    """
    if head[510:512] != _SIGNATURE:
        return None
    types = []
    for status, kind, first, count in _iter_entries(head):
        if kind == 0 and count == 0:
            continue
        if status not in _STATUS or first * SECTOR >= size or not count:
            return None
        types.append(kind)
    if not types:
        return None
    is_gpt = head[SECTOR : SECTOR + len(_GPT)] == _GPT
    if _PROTECTIVE in types and not is_gpt:
        return None
    return PartitionTable("GPT" if is_gpt else "MBR", tuple(types))


def detect_partition_kind(view: View) -> str:
    """Return MBR or GPT for an image with such a table, an empty text for others."""
    table = detect_partition_table(view.read(0, HEAD_SIZE), view.size)
    return "" if table is None else table.kind


def find_partition_spans(head: bytes, size: int) -> list[tuple[int, int]]:
    """Return where each partition, and the GPT's second header, begins and ends, in bytes.

    As :func:`detect_partition_table`, but the partitions after the first may be past the
    end of an image of ``size`` bytes, as they are when it was cut.
    """
    if head[510:512] != _SIGNATURE:
        return []
    starts, spans = [], []
    for status, kind, first, count in _iter_entries(head):
        if status not in _STATUS:
            return []
        if count and kind != _PROTECTIVE:
            starts.append(first)
            spans.append((first * SECTOR, (first + count) * SECTOR))
        elif kind == _PROTECTIVE and head[SECTOR : SECTOR + len(_GPT)] == _GPT:
            (second,) = struct.unpack_from("<Q", head, SECTOR + _SECOND_HEADER)
            starts.append(first)
            spans.append((second * SECTOR, (second + 1) * SECTOR))
    return spans if starts and min(starts) * SECTOR < size else []


def hard_disk_size(boot_sector: bytes) -> int:
    """Return where the first used partition of a hard-disk image ends, in bytes; 0 if unknown."""
    if boot_sector[510:512] != _SIGNATURE:
        return 0
    for _, kind, first, count in _iter_entries(boot_sector):
        if kind and count:
            return (first + count) * SECTOR
    return 0


def _iter_entries(boot_sector: bytes) -> Iterator[tuple[int, int, int, int]]:
    """Yield status, type, first sector and count of sectors of each entry of an MBR."""
    for at in range(_TABLE, _TABLE + _ENTRIES * _ENTRY, _ENTRY):
        first, count = struct.unpack_from("<II", boot_sector, at + 8)
        yield boot_sector[at], boot_sector[at + 4], first, count
