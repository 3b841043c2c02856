"""Damage spans: runs of bytes known to be wrong, and the entries that they touch."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from mediashelf.formats.volume import HOLE, SECTOR_SIZE, DiscFacts, Entry


class Span(NamedTuple):
    """A run of bytes in an image: offset from its start, and length."""

    offset: int
    length: int

    @property
    def first_lba(self) -> int:
        """The 2048-byte block that holds the first byte."""
        return self.offset // SECTOR_SIZE

    @property
    def last_lba(self) -> int:
        """The 2048-byte block that holds the last byte."""
        return (self.offset + max(self.length, 1) - 1) // SECTOR_SIZE


class TouchedEntry(NamedTuple):
    """An entry whose bytes lie in spans: its path and size, and how many of its bytes.

    ``places`` are the runs of bytes that hold the whole entry, adjacent ones joined.
    """

    path: str
    size: int
    touched: int
    places: tuple[Span, ...] = ()


def spans_of_blocks(numbers: Iterable[int], block_size: int, size: int) -> tuple[Span, ...]:
    """Join block numbers (ascending) to spans that end within ``size`` bytes."""
    spans: list[Span] = []
    for number in numbers:
        start = number * block_size
        end = min(start + block_size, size)
        if end <= start:
            continue
        if spans and spans[-1].offset + spans[-1].length == start:
            spans[-1] = Span(spans[-1].offset, end - spans[-1].offset)
        else:
            spans.append(Span(start, end - start))
    return tuple(spans)


def entries_touched(facts: DiscFacts, spans: Sequence[Span]) -> tuple[TouchedEntry, ...]:
    """Return the entries with bytes in the spans, in the order of their first block.

    Twin trees name a file twice; it is returned once, under the path of the last
    tree, which cuts names least. Directories are included: damage to them hides
    what they hold. Bytes that belong to no entry touch none.
    """
    ordered = sorted(spans)
    touched: dict[tuple[object, ...], tuple[int, TouchedEntry]] = {}
    for volume in facts.volumes:
        for entry in volume.entries:
            places = places_of(entry, volume.block_size)
            count = sum(_overlap(place, ordered) for place in places)
            if count:
                start = places[0].offset
                # Twin trees share the extents of files, and have directories of their own.
                key = (entry.path.casefold(),) if entry.is_directory else (start, entry.size)
                touched[key] = (start, TouchedEntry(entry.path, entry.size, count, places))
    return tuple(entry for _, entry in sorted(touched.values()))


def places_of(entry: Entry, block_size: int) -> tuple[Span, ...]:
    """Return the runs of bytes that hold an entry, in its own order, adjacent ones joined."""
    places: list[Span] = []
    for extent in entry.extents:
        if extent.lba == HOLE:
            continue  # zeros that are not on the disc cannot be damaged
        start = extent.lba * block_size + extent.offset
        if places and places[-1].offset + places[-1].length == start:
            places[-1] = Span(places[-1].offset, places[-1].length + extent.size)
        else:
            places.append(Span(start, extent.size))
    return tuple(places)


def _overlap(place: Span, spans: Sequence[Span]) -> int:
    """Return how many bytes of a place lie in the spans, which are sorted."""
    start, end = place.offset, place.offset + place.length
    # The span before the first that starts later may still reach into the extent.
    index = max(bisect_right(spans, (start,)) - 1, 0)
    count = 0
    while index < len(spans) and spans[index].offset < end:
        span = spans[index]
        count += max(0, min(end, span.offset + span.length) - max(start, span.offset))
        index += 1
    return count
