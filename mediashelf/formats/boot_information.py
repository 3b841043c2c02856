"""The table that writers put into a boot file, by which the file can find and check itself.

As pycdlib 1.22 has it (``EltoritoBootInfoTable``), low bytes first; there is no standard::

     8  sector of the primary volume descriptor
    12  sector of the boot file
    16  length of the boot file in bytes
    20  sum of the file's 32-bit words from byte 64 on
"""

from __future__ import annotations

import struct
import sys
from array import array
from typing import NamedTuple

HEAD_SIZE = 64
"""Bytes of a boot file in which the table is, and that its sum leaves out."""

LARGEST_FILE = 16 << 20
"""Bytes; boot files that carry the table are far smaller."""

_TABLE = struct.Struct("<8xIIII")


class BootInformation(NamedTuple):
    """What the table says."""

    descriptor_lba: int
    file_lba: int
    size: int
    checksum: int


def parse_boot_information(head: bytes) -> BootInformation | None:
    """Return the numbers where the table would be; whether one is there only they can tell."""
    return BootInformation(*_TABLE.unpack_from(head)) if len(head) >= HEAD_SIZE else None


def sum_of_words(data: bytes) -> int:
    """Return the sum of 32-bit words, low byte first; the last is filled up with zeros."""
    words = array("I", data + bytes(-len(data) % 4))
    if sys.byteorder == "big":
        words.byteswap()
    return sum(words) & 0xFFFF_FFFF
