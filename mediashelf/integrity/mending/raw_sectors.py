"""What the EDC of raw sectors proves of an image whose copies differ."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from mediashelf.formats.raw.combining import combine_sector
from mediashelf.formats.raw.judgement import has_good_edc, judge_sector
from mediashelf.formats.raw.layout import HEAD_SIZE, detect_layout
from mediashelf.formats.raw.sectors import RAW_SIZE, first_lba_of, headers_of
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.mending.copies import Copy
from mediashelf.integrity.mending.values import (
    How,
    Part,
    Piece,
    changed_sectors,
    iter_runs,
    span_of_run,
    spans_of_sectors,
)

_PROVED = (SectorVerdict.GOOD, SectorVerdict.CORRECTED)
_SECTORS_KEPT = 64
_SAMPLED = 64  # sectors that are compared to tell copies of an image from other images

MOST_TRIED = 2_000
"""Sectors of which no copy is good that are put together or corrected; each takes a while."""


class Proved(NamedTuple):
    """A run of bytes, and which of its sectors the EDC proved."""

    data: bytes
    sectors: tuple[int, ...]


class RawSectors:
    """The sectors of a raw image, each from the copies that are open, as far as its EDC proves it.

    Only where sectors are stored with sync and header and nothing else: the address
    of each place is known then, and its EDC covers all of it. An EDC does not tell of
    which disc a sector is; so copies count only when most good sectors are the image's.
    """

    def __init__(self, copies: Sequence[Copy]) -> None:
        head = copies[0].peek(0, HEAD_SIZE).data
        layout = detect_layout(head)
        self._mode, self._first_lba = 0, None
        if layout is not None and layout.has_header and layout.size == RAW_SIZE:
            self._mode, self._first_lba = layout.mode, first_lba_of(head, layout)
        self._copies = [copies[0], *(copy for copy in copies[1:] if self._is_akin(copies[0], copy))]
        self._tries_left = MOST_TRIED
        self._proved = lru_cache(maxsize=_SECTORS_KEPT)(self._prove)

    def read(self, offset: int, size: int) -> bytes | None:
        """Return bytes that sectors with a good EDC hold, or None where one is not proved."""
        if self._first_lba is None or size <= 0:
            return None
        first, last = offset // RAW_SIZE, (offset + size - 1) // RAW_SIZE
        sectors = []
        for index in range(first, last + 1):
            sector = self._proved(index)
            if sector is None:
                return None
            sectors.append(sector)
        skipped = offset - first * RAW_SIZE
        return b"".join(sectors)[skipped : skipped + size]

    def put_into(self, data: bytes, sectors: Sequence[int], offset: int) -> Proved:
        """Return ``data`` (at ``offset``) with those of its ``sectors`` replaced that are proved.

        Here as everywhere in mending a sector is 2048 bytes of the file.
        """
        proved: list[int] = []
        changed = bytearray(data)
        for index in sectors:
            start = index * SECTOR_SIZE
            found = self.read(offset + start, min(SECTOR_SIZE, len(data) - start))
            if found is not None:
                changed[start : start + len(found)] = found
                proved.append(index)
        return Proved(bytes(changed), tuple(proved))

    def _is_akin(self, image: Copy, copy: Copy) -> bool:
        """Tell by a few sectors that are good in both whether a copy is of the same image."""
        if self._first_lba is None:
            return False
        equal = compared = 0
        count = min(image.report.size, copy.report.size) // RAW_SIZE
        for index in sorted({count * step // _SAMPLED for step in range(_SAMPLED)} - {count}):
            (header,) = headers_of(self._first_lba + index, 1, self._mode)
            mine, its = (one.peek(index * RAW_SIZE, RAW_SIZE) for one in (image, copy))
            is_telling = not mine.missing and len(set(mine.data[24:2048])) > 1
            if is_telling and all(has_good_edc(one.data, header) for one in (mine, its)):
                compared += 1
                equal += mine.data[16:] == its.data[16:]
        return equal * 2 > compared

    def _prove(self, index: int) -> bytes | None:
        pieces = [copy.peek(index * RAW_SIZE, RAW_SIZE) for copy in self._copies]
        versions = list(dict.fromkeys(piece.data for piece in pieces if not piece.missing))
        assert self._first_lba is not None
        (header,) = headers_of(self._first_lba + index, 1, self._mode)
        good = [version for version in versions if has_good_edc(version, header)]
        if not good:
            if not self._tries_left:
                return None
            self._tries_left -= 1
            combined = combine_sector(versions, header)
            if combined is not None:
                return combined
        judged = [judge_sector(version, header) for version in good or versions]
        found = {each.sector for each in judged if each.verdict in _PROVED}
        return found.pop() if len(found) == 1 else None


def edc_parts(
    copies: Sequence[Copy], pieces: Sequence[Piece], proved: Proved, offset: int
) -> list[Part]:
    """Return the proved sectors as parts, and count which copies gave what the image has not."""
    size = len(proved.data)
    changed = set(changed_sectors(pieces[0], proved.data)) & set(proved.sectors)
    for sector in changed:
        right = Piece(proved.data).sector(sector)
        givers = [
            place for place, piece in enumerate(pieces) if place and piece.sector(sector) == right
        ]
        # Of a sector that was put together, or corrected, all other copies gave.
        for place in givers[:1] or range(1, len(pieces)):
            copies[place].report.given += 1
    parts = []
    for first, last in iter_runs(proved.sectors):
        inside = [sector for sector in range(first, last + 1) if sector in changed]
        span = span_of_run(first, last, offset, size)
        parts.append(Part(span, How.EDC, changed=spans_of_sectors(inside, offset, size)))
    return parts
