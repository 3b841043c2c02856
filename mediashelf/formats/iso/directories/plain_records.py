"""Records of a large directory without a fault: each field looked at in all of them at once."""

from __future__ import annotations

from array import array
from functools import reduce
from operator import or_, sub

from mediashelf.formats.fields import is_zero
from mediashelf.formats.iso.directories.directory_records import (
    PARENT_IDENTIFIER,
    SELF_IDENTIFIER,
    DirectoryRecords,
    Geometry,
)
from mediashelf.formats.iso.directories.record_columns import (
    BodyReader,
    RecordColumns,
    read_columns,
)
from mediashelf.formats.iso.directories.record_flags import ODD_FLAGS
from mediashelf.formats.iso.directories.record_problems import FIXED_SIZE, SHORTEST_RECORD
from mediashelf.formats.volume import FLAG_MULTI_EXTENT, SECTOR_SIZE

_EVEN = bytes(range(0, 256, 2))
_MANY = 16  # records that are worth to be looked at together


def parse_plain(
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
