"""The records of one directory (ECMA-119 9.1), parsed without trusting any of them."""

from __future__ import annotations

import struct
from array import array
from functools import reduce
from operator import or_, sub
from typing import NamedTuple

from mediashelf.formats.fields import BothOrders, is_zero, parse_both_16, parse_both_32
from mediashelf.formats.iso.directories.record_columns import (
    BodyReader,
    DirectoryRecord,
    RecordColumns,
    read_columns,
)
from mediashelf.formats.iso.directories.record_problems import (
    ATTRIBUTE_FLAGS,
    FIXED_SIZE,
    RESERVED_FLAGS,
    SHORTEST_RECORD,
    RecordProblems,
)
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import FLAG_ASSOCIATED, FLAG_MULTI_EXTENT, SECTOR_SIZE

SELF_IDENTIFIER = b"\x00"  # 7.6.2
PARENT_IDENTIFIER = b"\x01"
# What few records have, and some must not.
ODD_FLAGS = RESERVED_FLAGS | ATTRIBUTE_FLAGS | FLAG_ASSOCIATED

# Length, extended attribute length, extent, data length, date, flags, file unit
# size, interleave gap size, volume sequence number, identifier length; of the
# numbers in both byte orders only the copy that the struct's own order reads.
_LITTLE = struct.Struct("<BBI4xI4x7sBBBH2xB")
_BIG = struct.Struct(">6xI4xI12xH")

_EVEN = bytes(range(0, 256, 2))
_MANY = 16  # records that are worth to be looked at together


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


class DirectoryRecords(NamedTuple):
    """What one directory's extent holds.

    ``furthest`` is the largest byte offset that a record's extent reaches.
    ``has_oddities`` tells that some record has an unusual field, so that a
    second look is worth its time, ``has_sections`` that some file has several
    sections. ``is_complete`` is False when a sector was left before its end.
    """

    self_record: DirectoryRecord | None
    parent_record: DirectoryRecord | None
    children: RecordColumns
    furthest: int
    has_oddities: bool
    has_sections: bool
    has_paddings: bool  # other than zero, after some identifier, or what stands in their place
    is_complete: bool
    with_system_use: int  # records that have bytes for systems after their identifier (9.1.13)


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
        sequence_number=parse_both_16(data, 28),
    )


def system_use_of(data: bytes, record: DirectoryRecord) -> bytes:
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
    reader: BodyReader | None = None,
) -> DirectoryRecords:
    """Return the records in ``data``, a directory's extent that starts at byte ``offset``.

    A record that is not valid is logged, and parsing goes on in the next
    sector, where by 6.8.1.1 a record must start. Where the two copies of a
    number disagree, both are logged and the one that stays in the image is used.
    """
    plain = _parse_plain(data, geometry, max_records, reader or BodyReader())
    if plain is not None:
        return plain
    records: list[DirectoryRecord] = []
    problems = RecordProblems(offset, where, log)
    # Most records of a directory have one date, and every entry keeps its own.
    dates: dict[bytes, bytes] = {}
    shared = dates.setdefault
    append, new, little, big = records.append, tuple.__new__, _LITTLE.unpack_from, _BIG.unpack_from
    block_size, expected_sequence = geometry.block_size, geometry.sequence_number
    furthest = all_flags = oddities = specials = with_use = at = 0
    gap_start = -1
    is_complete, has_paddings = True, False
    end = len(data)
    while at < end:
        length = data[at]
        sector_end = (at | SECTOR_SIZE - 1) + 1
        if length == 0:
            problems.rest(data, at, min(sector_end, end))
            gap_start = at
            at = sector_end
            continue
        if length < SHORTEST_RECORD or at + length > sector_end or at + length > end:
            problems.bad_length(length, at, min(sector_end, end) - at)
            gap_start, is_complete = -1, False
            at = sector_end
            continue
        _, attribute, lba, size, date, flags, unit, gap, sequence, identifier_size = little(
            data, at
        )
        big_lba, big_size, big_sequence = big(data, at)
        if length < FIXED_SIZE + identifier_size or not identifier_size:
            problems.bad_identifier(length, identifier_size, at)
            gap_start, is_complete = -1, False
            at = sector_end
            continue
        if lba != big_lba or size != big_size or sequence != big_sequence:
            problems.disagreement((lba, size, sequence), (big_lba, big_size, big_sequence), at)
            lba = BothOrders(lba, big_lba).likely(geometry.block_count)
            room = max(geometry.image_size - lba * block_size, 0)
            size = BothOrders(size, big_size).likely(room)
        if gap_start >= 0:
            if gap_start % SECTOR_SIZE + length < SECTOR_SIZE:
                problems.gap(gap_start)
            gap_start = -1
        lba += attribute
        all_flags |= flags
        oddities |= unit | gap | sequence ^ expected_sequence | length & 1
        if size:  # the location of an empty file means nothing
            reach = lba * block_size + size
            if reach > furthest:
                furthest = reach
        if length - identifier_size > SHORTEST_RECORD:
            with_use += 1
        start = at + FIXED_SIZE
        identifier = data[start : start + identifier_size]
        if not identifier_size % 2 and length > FIXED_SIZE + identifier_size:
            has_paddings |= data[start + identifier_size] > 0
        if identifier <= PARENT_IDENTIFIER:
            specials += 1
        append(new(DirectoryRecord, (at, identifier, lba, size, flags, shared(date, date))))
        if len(records) >= max_records:
            break
        at += length
    first = 1 if records and records[0].identifier == SELF_IDENTIFIER else 0
    second = first + (len(records) > first and records[first].identifier == PARENT_IDENTIFIER)
    children = records[second:]
    if specials > second:
        children = _without_strays(children, problems)
    return DirectoryRecords(
        self_record=records[0] if first else None,
        parent_record=records[first] if second > first else None,
        children=RecordColumns.of(children),
        furthest=furthest,
        has_oddities=bool(oddities or all_flags & ODD_FLAGS),
        has_sections=bool(all_flags & FLAG_MULTI_EXTENT),
        has_paddings=has_paddings,
        is_complete=is_complete,
        with_system_use=with_use,
    )


def _parse_plain(
    data: bytes, geometry: Geometry, max_records: int, reader: BodyReader
) -> DirectoryRecords | None:
    """Return what the careful loop would of many records with nothing to be logged, else None.

    A large disc has 100,000 of them: each field is looked at in all records at once.
    """
    # The record after so many begins with its length, which is not zero.
    is_short = len(data) <= SECTOR_SIZE and is_zero(data[_MANY * SHORTEST_RECORD :])
    if max_records <= _MANY or is_short:
        return None
    places = _plain_places(data)
    if not _MANY < len(places) < max_records:
        return None
    first, children = places[:2], places[2:]
    specials = [data[at + FIXED_SIZE : at + FIXED_SIZE + data[at + 32]] for at in first]
    if specials != [SELF_IDENTIFIER, PARENT_IDENTIFIER]:
        return None
    lengths, sizes, identifiers, bodies, paddings = read_columns(data, children)
    beyond = list(map(sub, lengths, sizes))
    if min(beyond) < FIXED_SIZE or 0 in sizes:
        return None
    if 1 in sizes and not set(specials).isdisjoint(identifiers):
        return None
    sequence, block_size = geometry.sequence_number, geometry.block_size
    own = reader.read(b"".join([data[at + 1 : at + 32] for at in first]), block_size, sequence)
    others = reader.read(bodies, block_size, sequence)
    if own is None or others is None:
        return None
    extras = bytes(beyond)
    itself, parent = RecordColumns(first, specials, *own[:4])
    all_flags = reduce(or_, {*own.flags, *others.flags})
    own_lengths = bytes([data[at] for at in first])
    is_usual = own.is_usual and others.is_usual
    return DirectoryRecords(
        self_record=itself,
        parent_record=parent,
        children=RecordColumns(array("I", children), identifiers, *others[:4]),
        furthest=max(own.furthest, others.furthest),
        has_oddities=not is_usual
        or bool(all_flags & ODD_FLAGS or (own_lengths + lengths).translate(None, _EVEN)),
        has_sections=bool(all_flags & FLAG_MULTI_EXTENT),
        has_paddings=bool(paddings.strip(b"\0")),
        is_complete=True,
        with_system_use=sum(length - 1 > SHORTEST_RECORD for length in own_lengths)
        + len(extras)
        - extras.count(FIXED_SIZE)
        - extras.count(FIXED_SIZE + 1),
    )


def _plain_places(data: bytes) -> list[int]:
    """Return where the records of a directory are; none where a sector is not as it should be.

    Where names are numbered, all records of a sector are of one length.
    """
    places: list[int] = []
    append, rest, are_alike = places.append, SECTOR_SIZE, True
    for start in range(0, len(data), SECTOR_SIZE):
        at, end = start, min(start + SECTOR_SIZE, len(data))
        if start and are_alike:  # not in the first, where the first two are shorter
            length = data[at]
            count = (end - at) // max(length, SHORTEST_RECORD)
            are_alike = data[at : at + count * length : length or 1] == bytes([length]) * count
            if are_alike and length >= SHORTEST_RECORD:
                places += range(at, at + count * length, length)
                at += count * length
        while at < end:
            length = data[at]
            if length < SHORTEST_RECORD:
                break
            append(at)
            at += length
        fits_before = rest + data[start] < SECTOR_SIZE
        if at == start or at > end or fits_before or not is_zero(data[at:end]):
            return []
        rest = at - start
    return places


def _without_strays(
    children: list[DirectoryRecord], problems: RecordProblems
) -> list[DirectoryRecord]:
    """Leave out self and parent records that are not the first two."""
    kept = []
    for record in children:
        if record.identifier in (SELF_IDENTIFIER, PARENT_IDENTIFIER):
            problems.stray(record.at, record.identifier)
        else:
            kept.append(record)
    return kept
