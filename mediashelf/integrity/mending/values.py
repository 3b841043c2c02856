"""What mending works with and what comes out of it, as values."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.findings import Finding
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.fixity.values import FixityRecord
from mediashelf.integrity.structure.damage import Span

SPANS_IN_A_BLOCK = 16
"""With more runs than this in one block, one span from the first to the last stands for all."""


class How(StrEnum):
    """Where the bytes of a part that was in question come from."""

    COPY = "copy"  # a whole block of one copy, proved by its digest
    SECTORS = "sectors"  # sectors of several copies, together proved by the block's digest
    EDC = "edc"  # raw sectors, chosen or put together from several copies, proved by their EDC
    VOTED = "voted"  # most of the copies agree; likely, not proved
    UNDECIDED = "undecided"  # no majority
    NOT_MENDED = "not-mended"  # nothing found that the block's digest proves

    @property
    def is_open(self) -> bool:
        """True where the right bytes are not known."""
        return self in (How.UNDECIDED, How.NOT_MENDED)


class MendOutcome(StrEnum):
    """What the mended image is as a whole."""

    AS_RECORDED = "as-recorded"  # nothing to mend: the image is what the record says
    UNCHANGED = "unchanged"  # nothing to mend, as far as the copies tell; no record
    PROVED = "proved"  # mended, and equal to the digests on record
    VOTED = "voted"  # mended by the majority of the copies; likely, not proved
    INCOMPLETE = "incomplete"  # parts of it are not known


class Part(Struct, frozen=True):
    """A run of bytes that was in question.

    ``sources`` are the copies whose bytes are there now, by their place in
    :attr:`Mending.copies`, where 0 is the image itself; of a voted part, those that
    agree, and none where scattered votes went different ways. ``changed`` is where the
    bytes differ from the image's own. ``tried`` of
    ``possible`` combinations of sectors were compared with the digest. ``absent``
    sectors are in no copy at all. ``zeros_won`` says that most copies hold zeros
    there, and another holds data. ``disputed`` says that copies hold different bytes.
    """

    span: Span
    how: How
    sources: tuple[int, ...] = ()
    changed: tuple[Span, ...] = ()
    tried: int = 0
    possible: int = 0
    absent: int = 0
    zeros_won: bool = False
    disputed: bool = False

    def goes_on_with(self, later: Part) -> bool:
        """Tell whether another part follows without a gap and went the same way."""
        return (
            self.how in (How.COPY, How.EDC, How.VOTED, How.UNDECIDED)
            and self._way == later._way
            and self.span.offset + self.span.length == later.span.offset
        )

    @property
    def _way(self) -> tuple[object, ...]:
        return (self.how, self.sources, self.zeros_won, self.disputed, bool(self.absent))

    def joined_with(self, later: Part) -> Part:
        """Return both as one part."""
        changed, others = self.changed, later.changed
        if changed and others and changed[-1].offset + changed[-1].length == others[0].offset:
            middle = Span(changed[-1].offset, changed[-1].length + others[0].length)
            changed, others = (*changed[:-1], middle), others[1:]
        return replace(
            self,
            span=Span(self.span.offset, self.span.length + later.span.length),
            changed=changed + others,
            absent=self.absent + later.absent,
        )


class CopyReport(Struct):
    """One file that bytes may come from, and what was seen of it.

    ``given`` counts the sectors that the result has from it and the image has not;
    ``unreadable`` those that the system could not read; ``blank`` those that are all
    zero where the right bytes are not; ``overruled`` those that lost a vote, and of
    the image those that a digest disproves. ``sampled`` blocks were compared with the
    record, of which ``sampled_right`` are as recorded; both stay 0 for a useful copy.
    """

    path: Path
    size: int
    given: int = 0
    unreadable: int = 0
    blank: int = 0
    overruled: int = 0
    sampled: int = 0
    sampled_right: int = 0


class Mending(Struct, frozen=True):
    """What came of mending one image.

    ``size`` is that of the mended image in bytes. ``in_bytes`` says that its
    places are bytes of the file: in raw sectors, compressed files, archives and floppy images
    they are not those of logical blocks. ``copies`` begins with the image
    itself; then those that were opened, in the order in which they are asked.
    ``record`` is what it was proved by, or None. ``digests`` are those of the mended
    image, whether or not it was written.
    """

    image: Path
    output: Path | None
    outcome: MendOutcome
    is_written: bool
    size: int
    block_size: int
    in_bytes: bool
    copies: tuple[CopyReport, ...]
    parts: tuple[Part, ...]
    record: FixityRecord | None
    findings: tuple[Finding, ...]
    digests: dict[str, str] = field(default_factory=dict)

    @property
    def open_spans(self) -> tuple[Span, ...]:
        """Where the right bytes are not known."""
        return tuple(part.span for part in self.parts if part.how.is_open)

    @property
    def mended_spans(self) -> tuple[Span, ...]:
        """Where the image's own bytes were wrong, and are proved or voted now."""
        return tuple(span for part in self.parts if not part.how.is_open for span in part.changed)


class Piece(NamedTuple):
    """A run of bytes of one copy; zeros stand for the sectors that are ``missing`` in it."""

    data: bytes
    missing: frozenset[int] = frozenset()

    def sector(self, index: int) -> bytes | None:
        """Return a sector of the run, or None where the copy does not have it whole."""
        if index in self.missing:
            return None
        return self.data[index * SECTOR_SIZE : (index + 1) * SECTOR_SIZE]


def sector_count(size: int) -> int:
    """Return how many sectors a run of bytes fills; the last may be shorter."""
    return -(-size // SECTOR_SIZE)


def is_blank(sector: bytes) -> bool:
    """Tell whether a sector is all zeros, as programs leave it that could not read it."""
    return not sector.strip(b"\0")


def changed_sectors(piece: Piece, data: bytes) -> list[int]:
    """Return the sectors of ``data`` that a copy does not have, or has otherwise."""
    if piece.data == data and not piece.missing:
        return []
    whole = Piece(data)
    return [at for at in range(sector_count(len(data))) if piece.sector(at) != whole.sector(at)]


def iter_runs(sectors: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Yield first and last of each run of neighbours among ascending sector numbers."""
    first = last = -2
    for sector in sectors:
        if sector != last + 1:
            if last >= 0:
                yield first, last
            first = sector
        last = sector
    if last >= 0:
        yield first, last


def spans_of_sectors(sectors: Iterable[int], offset: int, size: int) -> tuple[Span, ...]:
    """Return sectors (ascending, counted from ``offset``) of a run of ``size`` bytes as spans."""
    runs = list(iter_runs(sectors))
    if len(runs) > SPANS_IN_A_BLOCK:
        runs = [(runs[0][0], runs[-1][1])]
    return tuple(span_of_run(first, last, offset, size) for first, last in runs)


def span_of_run(first: int, last: int, offset: int, size: int) -> Span:
    """Return a run of sectors, counted from ``offset``, that ends within ``size`` bytes."""
    start = first * SECTOR_SIZE
    return Span(offset + start, min((last + 1) * SECTOR_SIZE, size) - start)
