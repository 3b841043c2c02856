"""The records of one directory (ECMA-119 9.1), parsed without trusting any of them."""

from __future__ import annotations

import struct
from typing import NamedTuple

from mediashelf.formats.fields import BothOrders, parse_both_32
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

SELF_IDENTIFIER = b"\x00"  # 7.6.2
PARENT_IDENTIFIER = b"\x01"
SHORTEST_RECORD = 34  # 33 bytes of fields and one of identifier
FIXED_SIZE = 33
RESERVED_FLAGS = 0x60  # 9.1.6

# Length, extended attribute length, extent, data length, date, flags, file unit
# size, interleave gap size, volume sequence number, identifier length; of the
# numbers in both byte orders only the copy that the struct's own order reads.
_LITTLE = struct.Struct("<BBI4xI4x7sBBBH2xB")
_BIG = struct.Struct(">6xI4xI12xH")


class Geometry(NamedTuple):
    """What extents of one volume are measured against; sizes in bytes."""

    block_size: int
    image_size: int
    volume_size: int
    sequence_number: int = 1

    @property
    def block_count(self) -> int:
        """Whole and partial blocks that the image really has."""
        return -(-self.image_size // self.block_size)


class Record(NamedTuple):
    """One directory record; ``at`` is its offset within the directory's data.

    ``lba`` is where the data starts: behind the extended attribute record, if any.
    """

    at: int
    identifier: bytes
    lba: int
    size: int
    flags: int
    date: bytes


class DirectoryRecords(NamedTuple):
    """What one directory's extent holds.

    ``furthest`` is the largest byte offset that a record's extent reaches.
    ``has_oddities`` tells that some record has an unusual field, so that a
    second look is worth its time. ``is_complete`` is False when a sector was
    left before its end.
    """

    self_record: Record | None
    parent_record: Record | None
    children: list[Record]
    furthest: int
    has_oddities: bool
    is_complete: bool


class RootRecord(NamedTuple):
    """The root directory's record in a volume descriptor, with both copies of its numbers."""

    length: int
    extended_attribute_blocks: int
    extent: BothOrders
    size: BothOrders
    flags: int
    identifier: bytes
    sequence_number: BothOrders


def parse_root_record(data: bytes) -> RootRecord:
    """Return the fields of a 34-byte record (9.1, 8.4.18); nothing is checked."""
    return RootRecord(
        length=data[0],
        extended_attribute_blocks=data[1],
        extent=parse_both_32(data, 2),
        size=parse_both_32(data, 10),
        flags=data[25],
        identifier=data[33 : 33 + data[32]],
        sequence_number=BothOrders(
            int.from_bytes(data[28:30], "little"), int.from_bytes(data[30:32], "big")
        ),
    )


def system_use_of(data: bytes, record: Record) -> bytes:
    """Return the system use bytes of ``record``; ``data`` is its directory's."""
    start = record.at + FIXED_SIZE + len(record.identifier)
    return data[start + (len(record.identifier) % 2 == 0) : record.at + data[record.at]]


def parse_directory(
    data: bytes,
    *,
    offset: int,
    where: str,
    geometry: Geometry,
    log: ProblemLog,
    max_records: int,
) -> DirectoryRecords:
    """Return the records in ``data``, a directory's extent that starts at byte ``offset``.

    A record that can't be right is logged, and parsing goes on in the next
    sector, where by 6.8.1.1 a record must start. Where the two copies of a
    number disagree, both are logged and the one that stays in the image is used.
    """
    records: list[Record] = []
    # The loop runs 100,000 times for a large disc: bound names, one pass, no calls.
    append, new, little, big = records.append, tuple.__new__, _LITTLE.unpack_from, _BIG.unpack_from
    block_size, expected_sequence = geometry.block_size, geometry.sequence_number
    image_size = geometry.image_size
    furthest = oddities = specials = at = 0
    gap_start = -1
    is_complete = True
    end = len(data)
    while at < end:
        length = data[at]
        sector_end = (at | SECTOR_SIZE - 1) + 1
        if length == 0:
            _check_rest(data, at, min(sector_end, end), offset, where, log)
            gap_start = at
            at = sector_end
            continue
        if length < SHORTEST_RECORD or at + length > sector_end or at + length > end:
            _log_bad_length(length, at, sector_end, offset, where, log)
            gap_start, is_complete = -1, False
            at = sector_end
            continue
        _, attribute, lba, size, date, flags, unit, gap, sequence, identifier_size = little(
            data, at
        )
        big_lba, big_size, big_sequence = big(data, at)
        if length < FIXED_SIZE + identifier_size or not identifier_size:
            log.add(
                "record-length",
                where,
                f"the record's identifier of {identifier_size} bytes does not fit into it",
                offset=offset + at,
                found=f"record length {length}, identifier length {identifier_size}",
                expected=f"an identifier of 1 to {length - FIXED_SIZE} bytes",
            )
            gap_start, is_complete = -1, False
            at = sector_end
            continue
        if lba != big_lba or size != big_size or sequence != big_sequence:
            _log_disagreement(
                (lba, size, sequence), (big_lba, big_size, big_sequence), at, offset, where, log
            )
            limit = geometry.block_count
            lba = BothOrders(lba, big_lba).likely(limit)
            size = BothOrders(size, big_size).likely(max(image_size - lba * block_size, 0))
        if gap_start >= 0:
            if gap_start % SECTOR_SIZE + length < SECTOR_SIZE:
                _log_gap(gap_start, offset, where, log)
            gap_start = -1
        lba += attribute
        oddities |= flags & RESERVED_FLAGS | unit | gap | sequence ^ expected_sequence | length & 1
        if size:  # the location of an empty file means nothing
            reach = lba * block_size + size
            if reach > furthest:
                furthest = reach
        start = at + FIXED_SIZE
        identifier = data[start : start + identifier_size]
        if identifier <= PARENT_IDENTIFIER:
            specials += 1
        append(new(Record, (at, identifier, lba, size, flags, date)))
        if len(records) >= max_records:
            break
        at += length
    first = 1 if records and records[0].identifier == SELF_IDENTIFIER else 0
    second = first + (len(records) > first and records[first].identifier == PARENT_IDENTIFIER)
    children = records[second:]
    if specials > second:
        children = _without_strays(children, offset, where, log)
    return DirectoryRecords(
        self_record=records[0] if first else None,
        parent_record=records[first] if second > first else None,
        children=children,
        furthest=furthest,
        has_oddities=bool(oddities),
        is_complete=is_complete,
    )


def _without_strays(
    children: list[Record], offset: int, where: str, log: ProblemLog
) -> list[Record]:
    """Leave out self and parent records that do not stand first."""
    kept = []
    for record in children:
        if record.identifier in (SELF_IDENTIFIER, PARENT_IDENTIFIER):
            log.add(
                "self-record",
                where,
                "a self or parent record stands among the other records",
                offset=offset + record.at,
                found=record.identifier.hex(),
                expected="only as the first two records",
            )
        else:
            kept.append(record)
    return kept


def _check_rest(data: bytes, at: int, end: int, offset: int, where: str, log: ProblemLog) -> None:
    """Check what follows the last record of a sector."""
    rest = data[at:end]
    if rest.strip(b"\0"):
        first = at + len(rest) - len(rest.lstrip(b"\0"))
        log.add(
            "sector-rest-zero",
            where,
            "bytes follow where the records of a sector end; records may be lost there",
            offset=offset + first,
            found=f"byte {data[first]:#04x}",
            expected="zeros up to the end of the sector",
        )
    elif at % SECTOR_SIZE == 0 and at:
        log.add(
            "sector-with-records",
            where,
            f"sector {at // SECTOR_SIZE + 1} of the directory holds no record; "
            "files and directories may be lost",
            offset=offset + at,
            length=end - at,
            found="zeros",
            expected="directory records",
        )


def _log_gap(gap_start: int, offset: int, where: str, log: ProblemLog) -> None:
    log.add(
        "records-without-gap",
        where,
        "the records of a sector end early although the next one would fit; "
        "files and directories may be lost",
        offset=offset + gap_start,
        length=-gap_start % SECTOR_SIZE,
    )


def _log_bad_length(
    length: int, at: int, sector_end: int, offset: int, where: str, log: ProblemLog
) -> None:
    if length < SHORTEST_RECORD:
        log.add(
            "record-length",
            where,
            f"a record of {length} bytes is too short; the rest of its sector was not read",
            offset=offset + at,
            found=length,
            expected=f"at least {SHORTEST_RECORD}",
        )
    else:
        log.add(
            "record-inside-sector",
            where,
            f"a record of {length} bytes reaches over the end of its sector or directory; "
            "the rest of its sector was not read",
            offset=offset + at,
            found=length,
            expected=f"at most {sector_end - at}",
        )


def _log_disagreement(
    little: tuple[int, int, int],
    big: tuple[int, int, int],
    at: int,
    offset: int,
    where: str,
    log: ProblemLog,
) -> None:
    fields = (("extent", 2), ("data length", 10), ("volume sequence number", 28))
    for (name, place), low, high in zip(fields, little, big, strict=True):
        if low != high:
            log.add(
                "both-orders-agree",
                where,
                f"the two copies of a record's {name} differ",
                offset=offset + at + place,
                found=f"{low} and {high}",
                expected="one number in both byte orders",
            )
