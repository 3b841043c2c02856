"""Records of UDF files as values: what leads from the root to a file's bytes (ECMA-167 part 4).

Layouts follow ECMA-167 3rd edition and UDF 2.60 as transcribed in the Linux
kernel's ``fs/udf/ecma_167.h`` and ``osta_udf.h`` (6.1), whose clause numbers are
cited here; the standards' own text was not at hand. All numbers are little endian.
Every ``parse_*`` takes bytes that start with the record and returns None when they
are too few or cannot be such a record; tags are verified elsewhere.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

FILE_SET_DESCRIPTOR = 0x0100  # 4/7.2.1
FILE_IDENTIFIER_DESCRIPTOR = 0x0101
ALLOCATION_EXTENT_DESCRIPTOR = 0x0102
INDIRECT_ENTRY = 0x0103
FILE_ENTRY = 0x0105
EXTENDED_FILE_ENTRY = 0x010A

FILE_TYPE_DIRECTORY = 4  # 4/14.6.6
FILE_TYPES_WITH_BYTES = frozenset({0, 5, 0xF9})  # unspecified, regular, real-time
FILE_TYPES_WITHOUT = frozenset({6, 7, 9, 10, 12})  # devices, FIFO, socket, symbolic link

EXTENT_RECORDED = 0  # 4/14.14.1.1, the two highest bits of an extent length
EXTENT_CONTINUES = 3
_LENGTH_MASK = 0x3FFF_FFFF


class LongAddress(NamedTuple):
    """A long allocation descriptor (4/14.14.2): where an extent of a partition is."""

    kind: int
    size: int  # bytes
    block: int  # within the partition
    partition: int  # partition reference number


class FileEntry(NamedTuple):
    """A file entry or extended file entry (4/14.9, 4/14.17)."""

    file_type: int
    size: int  # information length, bytes
    modified: bytes  # 12-byte timestamp
    address_form: int  # 0 short, 1 long, 2 extended, 3 embedded (4/14.6.8)
    addresses: bytes  # allocation descriptors, or the embedded bytes themselves
    addresses_at: int  # offset of ``addresses`` within the record


class FileIdentifier(NamedTuple):
    """One name in a directory (4/14.4); ``length`` is that of the whole record."""

    length: int
    characteristics: int
    icb: LongAddress
    name: bytes  # compressed unicode, as recorded

    @property
    def is_deleted(self) -> bool:
        """Whether the name counts no more."""
        return bool(self.characteristics & 0x04)

    @property
    def is_parent(self) -> bool:
        """Whether this is the directory above, which has no name."""
        return bool(self.characteristics & 0x08)

    @property
    def is_directory(self) -> bool:
        """Whether what is named is a directory."""
        return bool(self.characteristics & 0x02)


def parse_long_address(data: bytes, at: int = 0) -> LongAddress:
    """Return the 16-byte long allocation descriptor at ``at``."""
    length, block, partition = struct.unpack_from("<IIH", data, at)
    return LongAddress(length >> 30, length & _LENGTH_MASK, block, partition)


def parse_root_directory(data: bytes) -> LongAddress | None:
    """Return where a file set descriptor (4/14.1) says that the root directory is."""
    return parse_long_address(data, 400) if len(data) >= 416 else None


def parse_file_entry(data: bytes) -> FileEntry | None:
    """Return a file entry of either form, told apart by its tag."""
    if len(data) < 216:
        return None
    (tag,) = struct.unpack_from("<H", data)
    if tag == FILE_ENTRY:
        lengths_at, date_at = 168, 84
    elif tag == EXTENDED_FILE_ENTRY:
        lengths_at, date_at = 208, 92
    else:
        return None
    attribute_length, address_length = struct.unpack_from("<II", data, lengths_at)
    start = lengths_at + 8 + attribute_length
    if start + address_length > len(data):
        return None
    (flags,) = struct.unpack_from("<H", data, 34)
    (size,) = struct.unpack_from("<Q", data, 56)
    return FileEntry(
        file_type=data[27],
        size=size,
        modified=data[date_at : date_at + 12],
        address_form=flags & 7,
        addresses=data[start : start + address_length],
        addresses_at=start,
    )


def parse_strategy(data: bytes) -> int:
    """Return how the entries of a file follow each other (4/14.6.2), of any record with it."""
    return int.from_bytes(data[20:22], "little")


def parse_indirect_entry(data: bytes) -> LongAddress | None:
    """Return where an indirect entry (4/14.7) leads, or None where it leads nowhere."""
    address = parse_long_address(data, 36) if len(data) >= 52 else None
    return address if address is not None and address.size else None


def parse_file_identifier(data: bytes, at: int) -> FileIdentifier | None:
    """Return the file identifier descriptor at ``at``; its length is a multiple of four."""
    if at + 38 > len(data):
        return None
    characteristics, name_length = data[at + 18], data[at + 19]
    (use_length,) = struct.unpack_from("<H", data, at + 36)
    start = at + 38 + use_length
    length = (38 + use_length + name_length + 3) & ~3
    if start + name_length > len(data):
        return None
    name = data[start : start + name_length]
    return FileIdentifier(length, characteristics, parse_long_address(data, at + 20), name)


def parse_addresses(form: int, data: bytes, partition: int) -> list[LongAddress]:
    """Return allocation descriptors of any form as long ones; an empty one ends the list.

    ``partition`` is the one that short descriptors, which name none, refer to.
    """
    size = {0: 8, 1: 16, 2: 20}.get(form, 0)
    if not size:
        return []
    addresses = []
    for at in range(0, len(data) - size + 1, size):
        (length,) = struct.unpack_from("<I", data, at)
        if form == 0:
            block, reference = struct.unpack_from("<I", data, at + 4)[0], partition
        else:
            block, reference = struct.unpack_from("<IH", data, at + (4 if form == 1 else 12))
        if not length & _LENGTH_MASK:
            break
        addresses.append(LongAddress(length >> 30, length & _LENGTH_MASK, block, reference))
    return addresses
