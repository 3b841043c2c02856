"""GUID partition tables of hybrid images: two headers with a CRC-32 each, and what they cover.

As pycdlib 1.22 writes and reads them (isohybrid.py), in sectors of 512 bytes, low bytes first::

      0  "EFI PART"       24  own sector               72  sector of the entries
     12  header's size    32  sector of the other one  80  number and size of entries
     16  header's CRC                                  88  CRC of the entries

The first header is in sector 1, the other one in the last sector. An entry begins with the
type of its partition, 16 bytes of zeros where there is none; at 32 are its first and last sector
(UEFI Specification 5.3.3, from memory).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.formats.fields import View
from mediashelf.formats.problem_log import ProblemLog

_SECTOR = 512
_TABLE, _TABLE_END = 446, 510
_SIGNATURE = b"EFI PART"
_HEADER = struct.Struct("<8s4xII4xQQ32xQIII")
_HEADER_SIZE = 92
_ENTRY = struct.Struct("<16s16xQQ")
_LARGEST_ARRAY = 1 << 20  # bytes; usual are 128 entries of 128 bytes


class _Header(NamedTuple):
    signature: bytes
    size: int
    crc: int
    own_sector: int
    other_sector: int
    entries_sector: int
    entry_count: int
    entry_size: int
    entries_crc: int


def log_guid_partition_problems(view: View, log: ProblemLog) -> list[tuple[int, int]]:
    """Log headers and entries that their CRC does not fit, and a table that only one half is of.

    Return where begins and ends, in bytes, what CRCs prove to be of the table or its partitions.
    """
    spans: list[tuple[int, int]] = []
    last = view.size // _SECTOR - 1
    head = view.read(0, 2 * _SECTOR)
    sector = head[_SECTOR:]
    if head[_TABLE_END:_SECTOR] != b"\x55\xaa" or not any(head[_TABLE:_TABLE_END]):
        return spans  # there is not even the table of partitions that old systems read
    first, number = None, last
    if sector.startswith(_SIGNATURE):
        first = _check_header(view, sector, 1, log, spans)
        number = last if first is None else first.other_sector
    if not 1 < number <= last:
        return spans  # where the image ends before that, its size has told
    other = view.read(number * _SECTOR, _SECTOR)
    is_there = other.startswith(_SIGNATURE)
    if is_there and not sector.startswith(_SIGNATURE):
        _log(log, 1, "is not there, and the one at the end of the image is", "no EFI PART")
    if is_there:
        _check_header(view, other, number, log, spans)
    elif first is not None:
        _log(log, number, "is not there, where the first one names it", "no EFI PART")
    return spans


def _check_header(
    view: View, sector: bytes, number: int, log: ProblemLog, spans: list[tuple[int, int]]
) -> _Header | None:
    """Return a header that its CRC proves, after checking its entries; log and return None else.

    ``spans`` gets what it proves to be of the table.
    """
    header = _Header(*_HEADER.unpack_from(sector))
    size = header.size if _HEADER_SIZE <= header.size <= _SECTOR else _HEADER_SIZE
    crc = zlib.crc32(sector[:16] + bytes(4) + sector[20:size])
    if crc != header.crc or header.own_sector != number:
        _log(log, number, "is not what its CRC is of", f"CRC {crc:#010x}", f"{header.crc:#010x}")
        return None
    spans.append((number * _SECTOR, (number + 1) * _SECTOR))
    length = header.entry_count * header.entry_size
    start = header.entries_sector * _SECTOR
    if not 0 < length <= _LARGEST_ARRAY or start + length > view.size:
        return header
    spans.append((start, start + length))
    entries = view.read(start, length)
    # pycdlib takes the CRC of those that are used alone.
    used = -(-len(entries.rstrip(b"\0")) // header.entry_size) * header.entry_size
    crcs = [zlib.crc32(entries), zlib.crc32(entries[:used])]
    if header.entries_crc not in crcs:
        log.add(
            "partition-table-checksum",
            f"sector {number} of 512 bytes",
            "the partitions are not what the CRC in the GUID partition table is of; what starts "
            "from the image as a disk may not find them",
            offset=start,
            length=length,
            found=f"CRC {crcs[0]:#010x}",
            expected=f"{header.entries_crc:#010x}",
        )
    elif header.entry_size >= _ENTRY.size:
        spans += _partitions(entries[:used], header.entry_size)
    return header


def _partitions(entries: bytes, size: int) -> Iterator[tuple[int, int]]:
    for at in range(0, len(entries) - _ENTRY.size + 1, size):
        kind, first, last = _ENTRY.unpack_from(entries, at)
        if any(kind) and first <= last:
            yield first * _SECTOR, (last + 1) * _SECTOR


def _log(log: ProblemLog, number: int, message: str, found: str, expected: str = "") -> None:
    log.add(
        "partition-table-checksum",
        f"sector {number} of 512 bytes",
        f"a header of the GUID partition table {message}; what starts from the image as a disk "
        "may not find its partitions",
        offset=number * _SECTOR,
        length=_SECTOR,
        found=found,
        expected=expected or "two headers that agree",
    )
