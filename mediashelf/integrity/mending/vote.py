"""Vote between copies of which none is proved: each sector, the majority counts.

A majority is likely to be right and never proof: copies made from one damaged copy
agree in its damage. Hence whoever votes says so, and says where.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.mending.values import Piece, is_blank, sector_count

_LEAST_VOICES = 2
"""Copies that must agree: one alone is not a majority, however few others have the sector."""


class Ballot(NamedTuple):
    """What the copies say of one sector in which they differ.

    ``sources`` are the copies, by their place, that hold what was taken. Without a
    majority it is what seems best: data before zeros, then what more copies hold,
    then what an earlier one holds. ``zeros_won`` says that a majority holds zeros and
    another copy data. ``losers`` are the copies that hold something else.
    """

    sector: int
    is_decided: bool
    sources: tuple[int, ...]
    losers: tuple[int, ...] = ()
    zeros_won: bool = False


def vote_size(sizes: Sequence[int]) -> tuple[int, bool]:
    """Return the size that most copies have, else the largest, and whether it is a majority's."""
    size, voices = Counter(sizes).most_common(1)[0]
    if voices >= _LEAST_VOICES and voices * 2 > len(sizes):
        return size, True
    return max(sizes), len(sizes) == 1


def vote_run(pieces: Sequence[Piece], size: int) -> tuple[bytes, list[Ballot]]:
    """Return ``size`` bytes as most copies hold them, and how each sector in question went.

    A sector is in question where copies differ, where the first copy does not have
    it, or where only one copy has it.
    """
    first = pieces[0]
    is_confirmed = len(pieces) >= _LEAST_VOICES and not first.missing
    if is_confirmed and all(piece == first for piece in pieces):
        return first.data[:size], []
    taken: list[bytes] = []
    ballots: list[Ballot] = []
    for index in range(sector_count(size)):
        held = [(place, piece.sector(index)) for place, piece in enumerate(pieces)]
        voices = {place: sector for place, sector in held if sector is not None}
        ballot = _vote(index, voices)
        if not ballot.is_decided or ballot.losers or 0 not in voices:
            ballots.append(ballot)
        start = index * SECTOR_SIZE
        whole = voices[ballot.sources[0]] if ballot.sources else b""
        taken.append(whole or first.data[start : min(start + SECTOR_SIZE, size)])
    return b"".join(taken), ballots


def _vote(index: int, voices: dict[int, bytes]) -> Ballot:
    """Let the copies that have a sector vote on it."""
    if not voices:
        return Ballot(index, False, ())
    counts = Counter(voices.values())
    winner, votes = counts.most_common(1)[0]
    is_decided = votes >= _LEAST_VOICES and votes * 2 > len(voices)
    if not is_decided:
        winner = max(counts, key=lambda sector: (not is_blank(sector), counts[sector]))
    agreeing = tuple(place for place, sector in voices.items() if sector == winner)
    losers = tuple(place for place, sector in voices.items() if sector != winner)
    return Ballot(index, is_decided, agreeing, losers, bool(losers) and is_blank(winner))
