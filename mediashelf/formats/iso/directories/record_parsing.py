"""The records of one directory (ECMA-119 9.1), parsed without trusting any of them."""

from __future__ import annotations

import struct

from mediashelf.formats.fields import BothOrders
from mediashelf.formats.iso.directories.directory_records import (
    PARENT_IDENTIFIER,
    SELF_IDENTIFIER,
    DirectoryRecords,
    Geometry,
)
from mediashelf.formats.iso.directories.plain_records import parse_plain
from mediashelf.formats.iso.directories.record_columns import (
    BodyReader,
    DirectoryRecord,
    RecordColumns,
)
from mediashelf.formats.iso.directories.record_flags import ODD_FLAGS
from mediashelf.formats.iso.directories.record_problems import (
    FIXED_SIZE,
    SHORTEST_RECORD,
    RecordProblems,
)
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import FLAG_MULTI_EXTENT, SECTOR_SIZE

# Length, extended attribute length, extent, data length, date, flags, file unit
# size, interleave gap size, volume sequence number, identifier length; of the
# numbers in both byte orders only the copy that the struct's own order reads.
_LITTLE = struct.Struct("<BBI4xI4x7sBBBH2xB")
_BIG = struct.Struct(">6xI4xI12xH")


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
    plain = parse_plain(data, geometry, max_records, reader or BodyReader())
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
