"""The tag that begins every UDF descriptor: read, and verified (ECMA-167 3/7.2)."""

from __future__ import annotations

import binascii
import struct
from typing import NamedTuple

from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

TAG_SIZE = 16
_TAG = struct.Struct("<HHBxHHHI")


class Tag(NamedTuple):
    """The 16 bytes that begin every UDF descriptor (3/7.2)."""

    identifier: int
    version: int
    checksum: int
    serial: int
    crc: int
    crc_length: int
    location: int


def parse_descriptor_tag(data: bytes) -> Tag:
    """Return the tag in the first 16 bytes of ``data``; nothing is checked."""
    return Tag(*_TAG.unpack_from(data))


def tag_checksum(data: bytes) -> int:
    """Return the sum modulo 256 of the 16 tag bytes without the checksum itself."""
    return (sum(data[:TAG_SIZE]) - data[4]) & 0xFF


def descriptor_crc(data: bytes, length: int) -> int:
    """Return the CRC (x16 + x12 + x5 + 1, from 0) of the ``length`` bytes after the tag."""
    return binascii.crc_hqx(data[TAG_SIZE : TAG_SIZE + length], 0)


def verify_tag(
    data: bytes,
    location: int | None,
    expected: frozenset[int],
    name: str,
    log: ProblemLog,
    *,
    offset: int,
) -> bool:
    """Log what is wrong with a descriptor's tag; tell whether the descriptor can be used.

    ``location`` is the block that the tag must name, of the volume or of a
    partition; None leaves that out. ``offset`` is the place in the image, or -1
    where that is not known.
    """
    if len(data) < TAG_SIZE:
        return False
    tag = parse_descriptor_tag(data)
    wrong = []
    if tag.identifier not in expected:
        wrong.append((f"tag identifier {tag.identifier}", " or ".join(map(str, sorted(expected)))))
    if tag.checksum != tag_checksum(data):
        wrong.append((f"tag checksum {tag.checksum:#04x}", f"{tag_checksum(data):#04x}"))
    if location is not None and tag.location != location:
        wrong.append((f"tag location {tag.location}", str(location)))
    if tag.crc_length > len(data) - TAG_SIZE:
        wrong.append((f"CRC length {tag.crc_length}", f"at most {len(data) - TAG_SIZE}"))
    elif tag.crc != descriptor_crc(data, tag.crc_length):
        crc = descriptor_crc(data, tag.crc_length)
        wrong.append((f"CRC {tag.crc:#06x}", f"{crc:#06x}"))
    if tag.version not in (2, 3):
        wrong.append((f"tag version {tag.version}", "2 or 3"))
    if wrong:
        found = ", ".join(one for one, _ in wrong)
        log.add(
            "udf-tag",
            name if offset < 0 else f"LBA {offset // SECTOR_SIZE}",
            f"the UDF descriptor tag of {name} is wrong: {found}",
            offset=None if offset < 0 else offset,
            length=None if offset < 0 else len(data),
            found=found,
            expected=", ".join(right for _, right in wrong),
        )
    return not wrong
