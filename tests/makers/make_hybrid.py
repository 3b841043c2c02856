"""Hybrid images: a partition table before the volume, and after it what the table names.

Layouts are those of the UEFI Specification 5.2 and 5.3, from memory, in sectors of 512 bytes;
The Sleuth Kit finds the partition in tests.
"""

from __future__ import annotations

import zlib
from typing import NamedTuple

from image_parts import le32

SECTOR = 512
_ENTRIES, _ENTRY = 128, 128
_ARRAY_SECTORS = _ENTRIES * _ENTRY // SECTOR
_EFI_SYSTEM = bytes.fromhex("28732ac11ff8d211ba4b00a0c93ec93b")


class Hybrid(NamedTuple):
    """An image with a GUID partition table, and where its parts after the volume begin, in bytes.

    The backup's header is in the last sector.
    """

    data: bytes
    partition: int
    backup_entries: int
    backup_header: int


def le64(value: int) -> bytes:
    return value.to_bytes(8, "little")


def partition_table(*entries: tuple[int, int, int], status: int = 0) -> bytes:
    """The last 66 bytes of the first sector, from types, first sectors and counts."""
    packed = b"".join(
        bytes([status, 0, 0, 0, kind, 0, 0, 0]) + le32(first) + le32(count)
        for kind, first, count in entries
    )
    return packed.ljust(64, b"\0") + b"\x55\xaa"


def guid_header(own: int, other: int, entries: int, array: bytes, last: int) -> bytes:
    """A header with its CRC; the usable sectors end before the backup, as the disk at ``last``."""
    body = le64(own) + le64(other) + le64(64) + le64(last - _ARRAY_SECTORS - 1) + b"guid" * 4
    body += le64(entries) + le32(_ENTRIES) + le32(_ENTRY) + le32(zlib.crc32(array))
    head = b"EFI PART" + le32(0x0001_0000) + le32(92)
    return head + le32(zlib.crc32(head + bytes(8) + body)) + bytes(4) + body


def append_guid_partitions(iso: bytes, partition: bytes, *, gap: int = 0) -> Hybrid:
    """``iso`` with a partition after it, ``gap`` zero bytes before that, and both tables."""
    first = (len(iso) + gap) // SECTOR
    used = first + -(-len(partition) // SECTOR)
    end = -(-(used + _ARRAY_SECTORS + 1) // 4) * 4  # whole sectors of 2048 bytes
    last = end - 1
    entry = _EFI_SYSTEM + b"unique-partition" + le64(first) + le64(used - 1)
    array = entry.ljust(_ENTRIES * _ENTRY, b"\0")
    data = bytearray(end * SECTOR)
    data[: len(iso)] = iso
    data[first * SECTOR : first * SECTOR + len(partition)] = partition
    data[446:SECTOR] = partition_table((0xEE, 1, last))
    backup = last - _ARRAY_SECTORS
    for own, other, entries in ((1, last, 2), (last, 1, backup)):
        data[entries * SECTOR : entries * SECTOR + len(array)] = array
        header = guid_header(own, other, entries, array, last)
        data[own * SECTOR : own * SECTOR + len(header)] = header
    return Hybrid(bytes(data), first * SECTOR, backup * SECTOR, last * SECTOR)
