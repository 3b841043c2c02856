"""UDF: is it there, where are its entry points, and are descriptor tags good.

Layouts and clause numbers are those of ECMA-167 as the Linux kernel 6.12 has
them (fs/udf/ecma_167.h, misc.c, super.c); all numbers have their low byte first.
"""

from __future__ import annotations

import binascii
import struct
from typing import NamedTuple

from mediashelf.formats.fields import View, read_sector
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

_FIRST_RECOGNITION = 16  # sector; the structures follow or replace those of ISO 9660
_LAST_RECOGNITION = 116
FIRST_ANCHOR = 256

_BEGIN, _END = b"BEA01", b"TEA01"  # 2/9.2, 2/9.3
_STANDARDS = (b"NSR02", b"NSR03")  # 3/9.1
_OTHERS = (b"CD001", b"BOOT2", b"CDW02")  # 2/9.4 and other standards

_TAG_SIZE = 16
_TAG = struct.Struct("<HHBxHHHI")
_ANCHOR = 2  # tag identifier, 3/7.2.1
_SEQUENCE = struct.Struct("<II")  # length in bytes and location, in the anchor


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
    return (sum(data[:_TAG_SIZE]) - data[4]) & 0xFF


def descriptor_crc(data: bytes, length: int) -> int:
    """Return the CRC (x16 + x12 + x5 + 1, from 0) of the ``length`` bytes after the tag."""
    return binascii.crc_hqx(data[_TAG_SIZE : _TAG_SIZE + length], 0)


def read_recognition(view: View, log: ProblemLog) -> str:
    """Return ``NSR02`` or ``NSR03`` from the volume recognition sequence, or the empty string."""
    standard, began, ended, lba = "", False, False, _FIRST_RECOGNITION
    for lba in range(_FIRST_RECOGNITION, _LAST_RECOGNITION + 1):
        identifier = view.read(lba * SECTOR_SIZE + 1, 5)
        if identifier == _BEGIN:
            began = True
        elif identifier in _STANDARDS:
            standard = standard or identifier.decode()
        elif identifier == _END:
            ended = True
            break
        elif identifier not in _OTHERS and (standard or lba > _FIRST_RECOGNITION + 16):
            break
    if standard and not (began and ended):
        log.add(
            "udf-recognition",
            f"LBA {lba}",
            "the volume recognition sequence has no proper beginning or end",
            offset=lba * SECTOR_SIZE,
            found="no " + " and no ".join(["BEA01"] * (not began) + ["TEA01"] * (not ended)),
            expected="BEA01, then the standard's identifier, then TEA01",
        )
    return standard


def read_anchors(view: View, log: ProblemLog) -> list[tuple[int, int]]:
    """Return length and location of each volume descriptor sequence that a valid anchor names.

    The main sequence comes first, then the reserve.
    """
    last = view.size // SECTOR_SIZE - 1
    sequences: list[tuple[int, int]] = []
    for lba in dict.fromkeys((FIRST_ANCHOR, last - FIRST_ANCHOR, last)):
        data = read_sector(view, lba) if lba >= FIRST_ANCHOR else b""
        # At the other two places a disc may have something else.
        if (
            data
            and (lba == FIRST_ANCHOR or parse_descriptor_tag(data).identifier == _ANCHOR)
            and verify_tag(data, lba, frozenset({_ANCHOR}), "anchor", log)
        ):
            sequences += [
                _SEQUENCE.unpack_from(data, _TAG_SIZE),
                _SEQUENCE.unpack_from(data, _TAG_SIZE + _SEQUENCE.size),
            ]
    if not sequences:
        log.add(
            "udf-anchor",
            f"LBA {FIRST_ANCHOR}",
            "no valid UDF anchor was found, so the UDF volume was not read",
            offset=FIRST_ANCHOR * SECTOR_SIZE,
            expected=f"an anchor at LBA {FIRST_ANCHOR}, {last - FIRST_ANCHOR} or {last}",
        )
    # All anchors name the same sequences, unless one of them is stale.
    return list(dict.fromkeys(sequences))


def verify_tag(
    data: bytes,
    location: int | None,
    expected: frozenset[int],
    name: str,
    log: ProblemLog,
    *,
    offset: int | None = None,
) -> bool:
    """Log what is wrong with a descriptor's tag; tell whether the descriptor can be used.

    ``location`` is the block that the tag must name, of the volume or of a
    partition; None leaves that out. ``offset`` is the place in the image, where
    it is not that of ``location``.
    """
    if len(data) < _TAG_SIZE:
        return False
    tag = parse_descriptor_tag(data)
    wrong = []
    if tag.identifier not in expected:
        wrong.append((f"tag identifier {tag.identifier}", " or ".join(map(str, sorted(expected)))))
    if tag.checksum != tag_checksum(data):
        wrong.append((f"tag checksum {tag.checksum:#04x}", f"{tag_checksum(data):#04x}"))
    if location is not None and tag.location != location:
        wrong.append((f"tag location {tag.location}", str(location)))
    if tag.crc_length > len(data) - _TAG_SIZE:
        wrong.append((f"CRC length {tag.crc_length}", f"at most {len(data) - _TAG_SIZE}"))
    elif tag.crc != descriptor_crc(data, tag.crc_length):
        crc = descriptor_crc(data, tag.crc_length)
        wrong.append((f"CRC {tag.crc:#06x}", f"{crc:#06x}"))
    if tag.version not in (2, 3):
        wrong.append((f"tag version {tag.version}", "2 or 3"))
    if offset is None and location is not None:
        offset = location * SECTOR_SIZE
    for found, right in wrong:
        log.add(
            "udf-tag",
            name if offset is None else f"LBA {offset // SECTOR_SIZE}",
            f"the UDF descriptor tag of {name} is wrong",
            offset=offset,
            length=None if offset is None else len(data),
            found=found,
            expected=right,
        )
    return not wrong
