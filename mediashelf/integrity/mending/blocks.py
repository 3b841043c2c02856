"""Mend one block at a time: by its digest on record, or by a vote where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from mediashelf.integrity.fixity.digests import BLOCK_DIGEST_SIZE, BLOCK_SIZE, block_digest
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.mending.copies import Copies, Copy
from mediashelf.integrity.mending.raw_sectors import Proved, RawSectors, edc_parts
from mediashelf.integrity.mending.search import combine
from mediashelf.integrity.mending.values import (
    SPANS_IN_A_BLOCK,
    How,
    Part,
    Piece,
    changed_sectors,
    is_blank,
    sector_count,
    span_of_run,
    spans_of_sectors,
)
from mediashelf.integrity.mending.vote import Ballot, vote_run, vote_size
from mediashelf.integrity.structure.damage import Span

_SAMPLED_BLOCKS = 8
"""How many blocks are enough to tell a damaged copy from another image."""

_BLOCKS_OF_TRIES = 50
"""The tries of all blocks together are those of so many blocks: more damage is not searched."""


class DigestMender:
    """Mends by the block digests on record; nothing is taken that they do not prove."""

    def __init__(self, copies: Copies, record: FixityRecord, tries: int) -> None:
        self.size = record.size
        self.block_size = record.block_size
        self._copies = copies
        self._blocks = record.blocks
        self._tries = tries
        self._tries_left = tries * _BLOCKS_OF_TRIES
        self._raw: RawSectors | None = None
        self._asked = 0  # how many copies were asked at most, the image among them

    def _expected(self, offset: int) -> bytes:
        start = offset // self.block_size * BLOCK_DIGEST_SIZE
        return self._blocks[start : start + BLOCK_DIGEST_SIZE]

    def mend(self, offset: int, size: int) -> tuple[bytes, list[Part]]:
        """Return the bytes of one block, and what was in question of it."""
        expected = self._expected(offset)
        pieces: list[Piece] = []
        for copy in self._copies:
            piece = copy.read(offset, size)
            if not piece.missing and block_digest(piece.data) == expected:
                if not pieces:
                    return piece.data, []
                return piece.data, [self._from_copy(copy, len(pieces), pieces, piece.data, offset)]
            pieces.append(piece)
            self._asked = max(self._asked, len(pieces))
        return self._from_sectors(pieces, expected, offset, size)

    def _from_copy(
        self, copy: Copy, place: int, pieces: Sequence[Piece], data: bytes, offset: int
    ) -> Part:
        changed = changed_sectors(pieces[0], data)
        copy.report.given += len(changed)
        self._count(pieces, data)
        return Part(
            Span(offset, len(data)),
            How.COPY,
            (place,),
            spans_of_sectors(changed, offset, len(data)),
        )

    def _from_sectors(
        self, pieces: Sequence[Piece], expected: bytes, offset: int, size: int
    ) -> tuple[bytes, list[Part]]:
        found = combine(
            pieces,
            size,
            lambda block: block_digest(block) == expected,
            limit=max(1, min(self._tries, self._tries_left)),
            trusted=self._copies.named_count,
        )
        self._tries_left -= found.tried
        if not found.is_proved and len(pieces) > 1:
            proved = self._prove_raw_sectors(pieces, found.data, offset)
            if block_digest(proved.data) == expected:
                self._count(pieces, proved.data)
                # The digest proves the rest of the guess as well.
                rest = changed_sectors(pieces[0], proved.data)
                sectors = tuple(sorted({*proved.sectors, *rest}))
                proved = proved._replace(sectors=sectors)
                return proved.data, edc_parts(self._copies.opened, pieces, proved, offset)
        changed = changed_sectors(pieces[0], found.data)
        if found.is_proved:
            self._count(pieces, found.data)
            for sector in changed:
                self._copies.opened[found.sources[sector]].report.given += 1
        part = Part(
            Span(offset, size),
            How.SECTORS if found.is_proved else How.NOT_MENDED,
            tuple(sorted({found.sources[sector] for sector in changed})),
            spans_of_sectors(changed, offset, size),
            found.tried,
            found.possible,
            found.absent,
        )
        return found.data, [part]

    def _prove_raw_sectors(self, pieces: Sequence[Piece], guess: bytes, offset: int) -> Proved:
        """Put what the EDC of raw sectors proves into the best guess, where copies differ."""
        if self._raw is None:
            self._raw = RawSectors(self._copies.opened)
        differing = [
            index
            for index in range(sector_count(len(guess)))
            if len({piece.sector(index) for piece in pieces}) > 1
        ]
        return self._raw.put_into(guess, differing, offset)

    def _count(self, pieces: Sequence[Piece], data: bytes) -> None:
        """Count what is wrong with the pieces, now that the right bytes are known."""
        for copy, piece in zip(self._copies.opened, pieces, strict=False):
            for index in changed_sectors(piece, data):
                sector = piece.sector(index)
                copy.report.blank += sector is not None and is_blank(sector)
                copy.report.overruled += sector is not None and piece is pieces[0]

    def finish(self) -> None:
        """Look at a few more blocks of the copies that gave nothing: are they of this image?"""
        count = len(self._blocks) // BLOCK_DIGEST_SIZE
        numbers = sorted({count * step // _SAMPLED_BLOCKS for step in range(_SAMPLED_BLOCKS)})
        for copy in self._copies.opened[1 : self._asked]:
            if copy.report.given:
                continue
            for number in numbers:
                offset = number * self.block_size
                piece = copy.peek(offset, min(self.block_size, self.size - offset))
                copy.report.sampled += 1
                copy.report.sampled_right += block_digest(piece.data) == self._expected(offset)


class VoteMender:
    """Mends by the majority of the copies, sector by sector; proves nothing."""

    def __init__(self, copies: Copies, size: int | None = None) -> None:
        self.block_size = BLOCK_SIZE
        self._copies = copies.opened
        self._raw = RawSectors(self._copies)
        sizes = [copy.report.size for copy in self._copies]
        self.size, self.size_is_decided = (size, True) if size is not None else vote_size(sizes)

    def mend(self, offset: int, size: int) -> tuple[bytes, list[Part]]:
        """Return the bytes of one block, and what was in question of it."""
        pieces = [copy.read(offset, size) for copy in self._copies]
        data, ballots = vote_run(pieces, size)
        proved = self._raw.put_into(data, [ballot.sector for ballot in ballots], offset)
        parts = edc_parts(self._copies, pieces, proved, offset)
        data = proved.data
        for copy, piece in zip(self._copies, pieces, strict=True):
            for index in set(changed_sectors(piece, data)) & set(proved.sectors):
                sector = piece.sector(index)
                copy.report.overruled += sector is not None
                copy.report.blank += sector is not None and is_blank(sector)
        ballots = [ballot for ballot in ballots if ballot.sector not in proved.sectors]
        changed = set(changed_sectors(pieces[0], data)) if ballots else set()
        for ballot in ballots:
            if ballot.sector in changed and ballot.sources:
                self._copies[ballot.sources[0]].report.given += 1
            if ballot.is_decided:
                for place in ballot.losers:
                    self._copies[place].report.overruled += 1
                    sector = pieces[place].sector(ballot.sector)
                    self._copies[place].report.blank += sector is not None and is_blank(sector)
        runs = [list(group) for _, group in groupby(enumerate(ballots), _kind_of_run)]
        if len(runs) > SPANS_IN_A_BLOCK:
            halves = [
                [pair for pair in enumerate(ballots) if pair[1].is_decided is decided]
                for decided in (True, False)
            ]
            runs = [half for half in halves if half]
        parts += [_voted_part([b for _, b in run], changed, offset, size) for run in runs]
        return data, sorted(parts, key=lambda part: part.span)

    def finish(self) -> None:
        """Nothing is left to do."""


def _kind_of_run(numbered: tuple[int, Ballot]) -> tuple[object, ...]:
    """Return what neighbouring sectors that went the same way have in common."""
    number, ballot = numbered
    way = (ballot.is_decided, ballot.sources, ballot.zeros_won, bool(ballot.losers))
    return (ballot.sector - number, *way)


def _voted_part(run: Sequence[Ballot], changed: set[int], offset: int, size: int) -> Part:
    first, last = run[0].sector, run[-1].sector
    is_alike = all(ballot.sources == run[0].sources for ballot in run)
    return Part(
        span_of_run(first, last, offset, size),
        How.VOTED if run[0].is_decided else How.UNDECIDED,
        run[0].sources if is_alike else (),
        spans_of_sectors(
            [ballot.sector for ballot in run if ballot.sector in changed], offset, size
        ),
        absent=sum(not ballot.sources for ballot in run),
        zeros_won=any(ballot.zeros_won for ballot in run),
        disputed=any(ballot.losers for ballot in run),
    )
