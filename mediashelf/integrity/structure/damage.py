"""Damage spans: runs of bytes known to be wrong, and the entries that they touch."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate
from typing import NamedTuple

from mediashelf.findings import Finding, Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, DiscFacts, Extent


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


class DamageSpan(NamedTuple):
    """A run of bytes that a finding names, or several findings whose runs touch.

    ``rules`` are theirs, and ``severity`` is that of the worst.
    """

    span: Span
    severity: Severity
    rules: tuple[str, ...]


class StoredSectors(NamedTuple):
    """How a file stores sectors: bytes a sector, and where the 2048 of user data begin in it.

    Places of entries and of structures count in user data, those of damage in the file.
    """

    size: int = SECTOR_SIZE
    user_offset: int = 0

    def in_file(self, span: Span) -> Span:
        """Return where a run of user data is in the file, with what is between."""
        if self.size == SECTOR_SIZE:
            return span
        start = self._place(span.offset)
        last = self._place(span.offset + max(span.length, 1) - 1)
        return Span(start, last + 1 - start if span.length else 0)

    def in_user_data(self, span: Span) -> Span:
        """Return the user data of all sectors that a run of the file's bytes touches."""
        if self.size == SECTOR_SIZE:
            return span
        first, last = self.lbas(span)
        return Span(first * SECTOR_SIZE, (last - first + 1) * SECTOR_SIZE)

    def lbas(self, span: Span) -> tuple[int, int]:
        """Return the first and the last sector that a run of the file's bytes touches."""
        last = span.offset + max(span.length, 1) - 1
        return span.offset // self.size, last // self.size

    def _place(self, offset: int) -> int:
        sector, rest = divmod(offset, SECTOR_SIZE)
        return sector * self.size + self.user_offset + rest


PLAIN_SECTORS = StoredSectors()
"""User data alone, as in an image that a drive serves."""


class TouchedEntry(NamedTuple):
    """An entry with bytes inside spans: its path and size, and how many of its bytes.

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


def merged(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Return the same bytes as spans in order that neither overlap nor touch."""
    joined: list[Span] = []
    for span in sorted(spans):
        if joined and span.offset <= joined[-1].offset + joined[-1].length:
            start = joined[-1].offset
            end = max(start + joined[-1].length, span.offset + span.length)
            joined[-1] = Span(start, end - start)
        else:
            joined.append(span)
    return tuple(joined)


def damage_spans(
    findings: Iterable[Finding], differing: Iterable[Span] = (), rule: str = ""
) -> tuple[DamageSpan, ...]:
    """Return the bytes that findings name, in order: one span for what overlaps or touches.

    Notes are not damage, and errors are kept apart from warnings. ``differing`` are
    bytes that are wrong for certain, by ``rule``.
    """
    places: dict[Severity, dict[Span, set[str]]] = {Severity.ERROR: {}, Severity.WARNING: {}}
    for span in differing:
        places[Severity.ERROR].setdefault(span, set()).add(rule)
    for finding in findings:
        if finding.severity in places and finding.offset is not None and finding.length:
            span = Span(finding.offset, finding.length)
            places[finding.severity].setdefault(span, set()).add(finding.rule)
    found = []
    for severity, rules in places.items():
        joined = merged(rules)
        starts = [span.offset for span in joined]
        names: list[set[str]] = [set() for _ in joined]
        for span, own in rules.items():
            names[bisect_right(starts, span.offset) - 1] |= own
        found += [
            DamageSpan(span, severity, tuple(sorted(own)))
            for span, own in zip(joined, names, strict=True)
        ]
    return tuple(sorted(found))


def entries_touched(
    facts: DiscFacts, spans: Sequence[Span], stored: StoredSectors = PLAIN_SECTORS
) -> tuple[TouchedEntry, ...]:
    """Return the entries with bytes in the spans, in the order of their first block.

    Spans and places count in the file, whose sectors may be ``stored`` raw: a span
    there touches the user data of each sector that it reaches into. Twin trees name a
    file twice; it is returned under the paths of the last tree, which cuts names
    least. Directories are included: damage to them hides what they hold. So are boot
    images that no entry names; their path is words (:func:`count_hidden`). Bytes
    that belong to neither touch none.
    """
    damaged = _Merged(merged(map(stored.in_user_data, spans)))
    touched: dict[tuple[object, ...], list[TouchedEntry]] = {}
    for volume in facts.volumes:
        found: dict[tuple[object, ...], list[TouchedEntry]] = {}
        for folder in iter_folders(volume.entries):
            for index, extents in enumerate(folder.iter_extents()):
                places = runs_of(extents, volume.block_size)
                count = sum(map(damaged.overlap, places))
                if not count:
                    continue
                entry = folder.entry(index)
                in_file = tuple(map(stored.in_file, places))
                # Twin trees share the extents of files, and have directories of their own.
                is_directory = entry.is_directory
                key = (entry.path.casefold(),) if is_directory else (places[0], entry.size)
                hit = TouchedEntry(entry.path, entry.size, count, in_file)
                found.setdefault(key, []).append(hit)
        touched.update(found)
    hits = [hit for group in touched.values() for hit in group]
    hits += _hidden_boot_images(facts, damaged, stored, hits)
    return tuple(sorted(hits, key=lambda hit: (hit.places[0], hit.path)))


def count_hidden(touched: Iterable[TouchedEntry]) -> int:
    """Return how many of these are boot images that no entry of a volume names."""
    return sum(not hit.path.startswith("/") for hit in touched)


def _hidden_boot_images(
    facts: DiscFacts,
    damaged: _Merged,
    stored: StoredSectors,
    named: Sequence[TouchedEntry],
) -> list[TouchedEntry]:
    """Return the boot images in the spans of which no named entry holds the first byte."""
    found: dict[Span, TouchedEntry] = {}
    for number, entry in enumerate(facts.boot.entries if facts.boot else (), 1):
        place = Span(entry.load_lba * SECTOR_SIZE, entry.image_size)
        count = damaged.overlap(place) if entry.load_lba else 0
        if not count or place in found:
            continue
        in_file = stored.in_file(place)
        is_named = any(
            one.offset <= in_file.offset < one.offset + one.length
            for hit in named
            for one in hit.places
        )
        if not is_named:
            name = f"the boot image of El Torito entry {number}"
            found[place] = TouchedEntry(name, entry.image_size, count, (in_file,))
    return list(found.values())


def runs_of(extents: Sequence[Extent], block_size: int) -> tuple[Span, ...]:
    """Return the runs of bytes that extents are, in their own order, adjacent ones joined."""
    if len(extents) == 1 and extents[0][0] != HOLE:
        ((lba, size, offset),) = extents
        return (Span(lba * block_size + offset, size),)
    places: list[Span] = []
    for extent in extents:
        if extent.lba == HOLE:
            continue  # zeros that are not on the disc cannot be damaged
        start = extent.lba * block_size + extent.offset
        if places and places[-1].offset + places[-1].length == start:
            places[-1] = Span(places[-1].offset, places[-1].length + extent.size)
        else:
            places.append(Span(start, extent.size))
    return tuple(places)


class _Merged:
    """Spans that are sorted and apart; a hostile disc has many, and many entries over all."""

    def __init__(self, spans: Sequence[Span]) -> None:
        self._spans = spans
        self._starts = [span.offset for span in spans]
        self._sums = [0, *accumulate(span.length for span in spans)]

    def overlap(self, place: Span) -> int:
        """Return how many bytes of a place are inside the spans."""
        return self._bytes_before(place.offset + place.length) - self._bytes_before(place.offset)

    def _bytes_before(self, offset: int) -> int:
        index = bisect_right(self._starts, offset) - 1
        if index < 0:
            return 0
        span = self._spans[index]
        return self._sums[index] + min(span.length, offset - span.offset)
