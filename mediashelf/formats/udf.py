"""UDF: is it there, which revision, and are its entry points sound. Contents are not read.

Layouts and clause numbers are those of ECMA-167 as the Linux kernel 6.12 has
them (fs/udf/ecma_167.h, misc.c, super.c); all numbers have their low byte first. The
places of label, block size and revision in the primary and logical volume
descriptors are from memory, and agree with what pycdlib writes.
"""

from __future__ import annotations

import binascii
import struct
from dataclasses import dataclass
from typing import NamedTuple

from mediashelf.formats.fields import View, read_sector
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE, VolumeFacts, VolumeKind

FIRST_RECOGNITION = 16  # sector; the structures follow or replace those of ISO 9660
LAST_RECOGNITION = 116
FIRST_ANCHOR = 256
MOST_DESCRIPTORS = 64  # of a main volume descriptor sequence that is followed

BEGIN, END = b"BEA01", b"TEA01"  # 2/9.2, 2/9.3
STANDARDS = (b"NSR02", b"NSR03")  # 3/9.1
OTHERS = (b"CD001", b"BOOT2", b"CDW02")  # 2/9.4 and other standards

TAG_SIZE = 16
_TAG = struct.Struct("<HHBxHHHI")
PRIMARY, ANCHOR, LOGICAL_VOLUME, TERMINATING = 1, 2, 6, 8  # tag identifiers, 3/7.2.1
_MAIN_SEQUENCE = struct.Struct("<II")  # length in bytes and location, in the anchor


class Tag(NamedTuple):
    """The 16 bytes in front of every UDF descriptor (3/7.2)."""

    identifier: int
    version: int
    checksum: int
    serial: int
    crc: int
    crc_length: int
    location: int


@dataclass(frozen=True, slots=True)
class UdfFacts:
    """What the recognition sequence, the anchors and the volume descriptors say.

    ``revision`` is in binary coded decimal as recorded (0x0102 is 1.02), or None.
    """

    standard: str  # NSR02 or NSR03
    label: str = ""
    revision: int | None = None
    block_size: int = SECTOR_SIZE


def parse_tag(data: bytes) -> Tag:
    """Return the tag in the first 16 bytes of ``data``; nothing is checked."""
    return Tag(*_TAG.unpack_from(data))


def tag_checksum(data: bytes) -> int:
    """Return the sum modulo 256 of the 16 tag bytes without the checksum itself."""
    return (sum(data[:TAG_SIZE]) - data[4]) & 0xFF


def descriptor_crc(data: bytes, length: int) -> int:
    """Return the CRC (x16 + x12 + x5 + 1, from 0) of the ``length`` bytes behind the tag."""
    return binascii.crc_hqx(data[TAG_SIZE : TAG_SIZE + length], 0)


def detect_udf(view: View, log: ProblemLog) -> UdfFacts | None:
    """Return what the disc says about its UDF volume, or None when it has none.

    A disc has one when its volume recognition sequence names NSR02 or NSR03.
    """
    standard = _read_recognition(view, log)
    if not standard:
        return None
    main_sequence = _read_anchors(view, log)
    if main_sequence is None:
        return UdfFacts(standard)
    return _read_volume_descriptors(view, standard, main_sequence, log)


def udf_volume(facts: UdfFacts, log: ProblemLog) -> VolumeFacts:
    """Return the volume, without entries; that they were not read is a finding of its own."""
    log.add("udf-contents-not-read", "UDF volume", "UDF contents not read")
    return VolumeFacts(
        VolumeKind.UDF,
        facts.label,
        block_size=facts.block_size,
        detail=facts.standard,
        entries_read=False,
        udf_revision=facts.revision,
    )


def _read_recognition(view: View, log: ProblemLog) -> str:
    """Return ``NSR02`` or ``NSR03`` from the volume recognition sequence, or the empty string."""
    standard, began, ended, lba = "", False, False, FIRST_RECOGNITION
    for lba in range(FIRST_RECOGNITION, LAST_RECOGNITION + 1):
        identifier = view.read(lba * SECTOR_SIZE + 1, 5)
        if identifier == BEGIN:
            began = True
        elif identifier in STANDARDS:
            standard = standard or identifier.decode()
        elif identifier == END:
            ended = True
            break
        elif identifier not in OTHERS and (standard or lba > FIRST_RECOGNITION + 16):
            break
    if standard and not (began and ended):
        log.add(
            "udf-recognition",
            f"LBA {lba}",
            "the volume recognition sequence is not framed as it must be",
            offset=lba * SECTOR_SIZE,
            found="no " + " and no ".join(["BEA01"] * (not began) + ["TEA01"] * (not ended)),
            expected="BEA01, then the standard's identifier, then TEA01",
        )
    return standard


def _read_anchors(view: View, log: ProblemLog) -> tuple[int, int] | None:
    """Return length and location of the main descriptor sequence, from the first sound anchor."""
    last = view.size // SECTOR_SIZE - 1
    sequences = []
    for lba in dict.fromkeys((FIRST_ANCHOR, last - FIRST_ANCHOR, last)):
        data = read_sector(view, lba) if lba >= FIRST_ANCHOR else b""
        # At the other two places a disc may have something else.
        if data and (lba == FIRST_ANCHOR or parse_tag(data).identifier == ANCHOR):
            is_sound = _check_descriptor(data, lba, ANCHOR, "anchor", log)
            if is_sound:
                length, location = _MAIN_SEQUENCE.unpack_from(data, TAG_SIZE)
                sequences.append((length, location))
    if not sequences:
        log.add(
            "udf-anchor",
            f"LBA {FIRST_ANCHOR}",
            "no sound UDF anchor was found, so its volume can't be read",
            offset=FIRST_ANCHOR * SECTOR_SIZE,
            expected=f"an anchor at LBA {FIRST_ANCHOR}, {last - FIRST_ANCHOR} or {last}",
        )
        return None
    return sequences[0]


def _check_descriptor(data: bytes, lba: int, expected: int, name: str, log: ProblemLog) -> bool:
    """Log what is wrong with a descriptor's tag; tell whether the descriptor can be used."""
    tag = parse_tag(data)
    wrong = []
    if tag.identifier != expected:
        wrong.append((f"tag identifier {tag.identifier}", str(expected)))
    if tag.checksum != tag_checksum(data):
        wrong.append((f"tag checksum {tag.checksum:#04x}", f"{tag_checksum(data):#04x}"))
    if tag.location != lba:
        wrong.append((f"tag location {tag.location}", str(lba)))
    if tag.crc_length > SECTOR_SIZE - TAG_SIZE:
        wrong.append((f"CRC length {tag.crc_length}", f"at most {SECTOR_SIZE - TAG_SIZE}"))
    elif tag.crc != descriptor_crc(data, tag.crc_length):
        crc = descriptor_crc(data, tag.crc_length)
        wrong.append((f"CRC {tag.crc:#06x}", f"{crc:#06x}"))
    if tag.version not in (2, 3):
        wrong.append((f"tag version {tag.version}", "2 or 3"))
    for found, right in wrong:
        log.add(
            "udf-tag",
            f"LBA {lba}",
            f"the tag of the UDF {name} is wrong",
            offset=lba * SECTOR_SIZE,
            length=SECTOR_SIZE,
            found=found,
            expected=right,
        )
    return not wrong


def _read_volume_descriptors(
    view: View, standard: str, main_sequence: tuple[int, int], log: ProblemLog
) -> UdfFacts:
    """Return label, revision and block size from the main volume descriptor sequence."""
    length, start = main_sequence
    label, logical_label, revision, block_size = "", "", None, SECTOR_SIZE
    count = min(length // SECTOR_SIZE, MOST_DESCRIPTORS)
    for lba in range(start, start + count):
        data = read_sector(view, lba)
        identifier = parse_tag(data).identifier if data else 0
        if identifier == PRIMARY and _check_descriptor(data, lba, PRIMARY, "primary", log):
            label = _parse_dstring(data[24:56])
        elif identifier == LOGICAL_VOLUME and _check_descriptor(
            data, lba, LOGICAL_VOLUME, "logical volume descriptor", log
        ):
            logical_label = _parse_dstring(data[84:212])
            block_size = int.from_bytes(data[212:216], "little")
            # The domain identifier's suffix starts with the revision.
            if data[217:240].rstrip(b"\0") == b"*OSTA UDF Compliant":
                revision = int.from_bytes(data[240:242], "little")
        elif identifier == TERMINATING:
            break
    else:
        log.add(
            "udf-volume-descriptors",
            f"LBA {start}",
            "the UDF volume descriptor sequence has no end",
            offset=start * SECTOR_SIZE,
            length=length,
            expected="a terminating descriptor",
        )
    return UdfFacts(standard, logical_label or label, revision, block_size)


def _parse_dstring(data: bytes) -> str:
    """Return fixed-size text: length in its last byte, 8 or 16 bits a character by its first."""
    used = data[: min(data[-1], len(data) - 1)]
    if used[:1] == b"\x08":
        return used[1:].decode("latin-1").rstrip("\0")
    if used[:1] == b"\x10":
        return used[1 : 1 + (len(used) - 1) // 2 * 2].decode("utf-16-be", "replace").rstrip("\0")
    return ""
