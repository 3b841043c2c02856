"""Folders of FAT volumes: entries with their short and long names.

============  =====  ==========================================================
entry         0      name (8), extension (3), attributes (1)
              22     time (2), date (2), first cluster (2), size in bytes (4)
long name     0      number, 0x40 the last (1), 5 letters (10), 0x0F (1), 0, checksum (1)
              14     6 letters (12), 0 (2), 2 letters (4); stands before the entry it names
============  =====  ==========================================================

Numbers are little-endian. All is from memory; an independent reader of such volumes confirms it
in tests.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.formats.packed.dos_time import seconds_of_dos_time

ENTRY_SIZE = 32
_DELETED = 0xE5
_LABEL, _FOLDER, _LONG_NAME = 0x08, 0x10, 0x0F


class FatEntry(NamedTuple):
    """One file or folder; ``name`` is the long one where there is one, else ``README.TXT``.

    ``modified`` counts seconds since 1970 of a clock whose zone is not recorded, None
    where there is no valid date.
    """

    name: str
    size: int
    cluster: int
    is_folder: bool
    modified: int | None


def parse_folder(data: bytes) -> Iterator[FatEntry]:
    """Yield the entries of a folder, up to the first that was never written."""
    long_name: dict[int, bytes] = {}
    checksum = -1
    for start in range(0, len(data) - ENTRY_SIZE + 1, ENTRY_SIZE):
        entry = data[start : start + ENTRY_SIZE]
        if entry[0] == 0:
            return  # nothing was ever written from here on
        attributes = entry[11]
        if entry[0] == _DELETED:
            long_name = {}
        elif attributes & 0x3F == _LONG_NAME:
            if entry[0] & 0x40:
                long_name, checksum = {}, entry[13]
            if entry[13] == checksum:
                long_name[entry[0] & 0x1F] = entry[1:11] + entry[14:26] + entry[28:32]
        elif attributes & _LABEL:
            long_name = {}
        else:
            name = _long_name(long_name) if checksum == _name_checksum(entry[:11]) else ""
            long_name, checksum = {}, -1
            if entry[:2] not in (b". ", b".."):
                yield _parse_entry(entry, name)


def is_own_entry(entry: bytes) -> bool:
    """Whether this is the entry by which a folder names itself, its first."""
    return entry[:11] == b".".ljust(11) and bool(entry[11] & _FOLDER)


def _parse_entry(entry: bytes, long_name: str) -> FatEntry:
    first = b"\xe5" if entry[0] == 0x05 else entry[:1]
    stem, extension = (
        part.decode("cp437").rstrip(" ") for part in (first + entry[1:8], entry[8:11])
    )
    time, date, cluster, size = struct.unpack_from("<HHHI", entry, 22)
    is_folder = bool(entry[11] & _FOLDER)
    return FatEntry(
        long_name or (f"{stem}.{extension}" if extension else stem),
        0 if is_folder else size,
        cluster,
        is_folder,
        seconds_of_dos_time(date, time),
    )


def _long_name(parts: dict[int, bytes]) -> str:
    """Return the name that entries with the numbers 1, 2, … hold, nothing where one is missing."""
    if sorted(parts) != list(range(1, len(parts) + 1)):
        return ""
    letters = b"".join(parts[number] for number in sorted(parts))
    return letters.decode("utf-16-le", "replace").split("\0")[0]


def _name_checksum(name: bytes) -> int:
    """Return the number by which a long name knows the short one that it belongs to."""
    total = 0
    for letter in name:
        total = ((total & 1) << 7) + (total >> 1) + letter & 0xFF
    return total
