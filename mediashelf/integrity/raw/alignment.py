"""Read the sectors of a track where they are, after missing or surplus bytes too."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.errors import InputError
from mediashelf.formats.raw.sectors import ADDRESSES, SYNC, have_syncs, parse_header_lba
from mediashelf.integrity.raw.files import read_bytes
from mediashelf.integrity.raw.tracks import RawTrack
from mediashelf.integrity.structure.damage import Span

MOST_SLIPS = 1000
"""After so many places with missing or surplus bytes no more are looked for in a track."""


class Stored(NamedTuple):
    """Some sectors as they are in the file.

    ``first`` is the index of the first in its track, and ``offset`` where that is in the
    file. ``unreadable`` are the runs of the file's bytes near these that the medium did
    not give; they are zeros here.
    """

    first: int
    offset: int
    data: bytes
    unreadable: tuple[Span, ...] = ()


def iter_aligned(track: RawTrack, first_lba: int, at_once: int) -> Iterator[Stored]:
    """Yield the sectors of a track, some at once.

    Where a sector has no sync, and the address that belongs there is found after a sync
    less than a sector away, reading goes on from there: so bytes that were lost or
    inserted cost the sector that they were in. Raises :class:`InputError` when the file
    can't be read.
    """
    pitch, end = track.layout.size, track.offset + track.size
    index, offset, step, slips = 0, track.offset, at_once, 0
    while offset < end:
        gaps: list[Span] = []
        size = min(step * pitch, end - offset)
        chunk = read_bytes(track.path, offset, size, unreadable=gaps)
        if len(chunk) < size:
            raise InputError(f"{track.path}: became shorter while it was read")
        is_searched = track.layout.has_header and slips < MOST_SLIPS
        slip = _find_slip(track, first_lba + index, offset, chunk) if is_searched else None
        if slip is None:
            yield Stored(index, offset, chunk, tuple(gaps))
            index, offset = index + -(-len(chunk) // pitch), offset + len(chunk)
            step = min(2 * step, at_once)
            continue
        count, place = slip
        if count:
            yield Stored(index, offset, chunk[: count * pitch], tuple(gaps))
        # Where this happens often, little is read twice.
        index, offset, step, slips = index + count, place, 1, slips + 1


def _find_slip(track: RawTrack, lba: int, offset: int, chunk: bytes) -> tuple[int, int] | None:
    """Return how many sectors come before a slip, and the offset in the file where it goes on.

    ``lba`` is the block number of the first sector of ``chunk``, which is at ``offset``.
    """
    pitch = track.layout.size
    if have_syncs(chunk, pitch):
        return None
    for count, start in enumerate(range(0, len(chunk), pitch)):
        if not chunk.startswith(SYNC, start):
            found = _find_sector(track, lba + count, offset + start)
            if found is not None:
                skipped, at = found
                return count + skipped, at
    return None


def _find_sector(track: RawTrack, lba: int, expected: int) -> tuple[int, int] | None:
    """Find the sector of this address, or the one after it, away from where it is expected.

    Another sync has to follow a sector later, unless the track ends there.
    """
    pitch, end = track.layout.size, track.offset + track.size
    start = max(expected - pitch + 1, track.offset)
    window = read_bytes(track.path, start, min(4 * pitch, end - start), unreadable=[])
    at = window.find(SYNC)
    while at >= 0:
        found = parse_header_lba(window[at + 12 : at + 16])
        skipped = None if found is None else (found - lba) % ADDRESSES
        if skipped in (0, 1):
            place = start + at
            is_followed = window.startswith(SYNC, at + pitch) or place + pitch >= end
            distance = place - (expected + skipped * pitch)
            if is_followed:
                return (skipped, place) if 0 < abs(distance) < pitch else None
        at = window.find(SYNC, at + 1)
    return None
