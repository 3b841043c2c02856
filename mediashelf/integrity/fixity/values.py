"""What fixity is judged from and what comes out: records, observations, verdicts."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from msgspec import Struct, field

from mediashelf.findings import Finding
from mediashelf.integrity.fixity.acknowledged import Acknowledged
from mediashelf.integrity.fixity.digests import BLOCK_SIZE, Digests
from mediashelf.integrity.fixity.states import State
from mediashelf.integrity.structure.damage import Span

DAMAGED_INSIDE = "damage-inside-on-record"
"""The rule of what an audit looked for inside files, and who reads the bytes again does not."""


class Absence(StrEnum):
    """Why there is no file to look at."""

    MISSING = "missing"
    AWAY = "away"


class FixityRecord(Struct, frozen=True):
    """What is recorded of a file: size, date, digests, and the days of both.

    ``digests`` maps algorithm to hexadecimal digest. ``blocks`` joins the
    8-byte xxh3_64 of every ``block_size`` bytes and may be empty. ``acknowledged`` are the
    rules whose findings the keeper knows and lives with, for these bytes. ``damage_inside`` is
    what an audit found wrong in them, a finding of :data:`DAMAGED_INSIDE` first; ``published``
    says which published digests they never had.
    """

    size: int
    mtime_ns: int
    digests: dict[str, str]
    blocks: bytes = b""
    block_size: int = BLOCK_SIZE
    recorded_at: str = ""
    confirmed_at: str = ""
    acknowledged: Mapping[str, Acknowledged] = field(default_factory=dict)
    damage_inside: tuple[Finding, ...] = ()
    published: tuple[Finding, ...] = ()


class Observed(Struct, frozen=True):
    """What a look at the file found now.

    ``digests`` is None where the contents were not read. ``problem`` is why the
    file could not be read to the end, or that what is in its shelf's place is not the
    shelf, or empty; ``is_refused`` tells that the right to read is missing, and
    ``unreadable`` are the runs of bytes that the medium did not give.
    ``around`` are the digests with zeros for these, of which only those of blocks without
    any are of use. ``is_changing`` is True when size or date were not the same before and
    after.
    """

    size: int = 0
    mtime_ns: int = 0
    digests: Digests | None = None
    problem: str = ""
    unreadable: tuple[Span, ...] = ()
    around: Digests | None = None
    is_changing: bool = False
    absence: Absence | None = None
    is_refused: bool = False


class FixityVerdict(Struct, frozen=True):
    """The state of one image, and what that rests on.

    ``basis`` says in words what was read and what was not. ``findings`` are
    those of fixity, then those of the structure. ``spans`` are the bytes that
    differ from the record, as narrow as the block digests show; ``is_confirmed``
    is True only when every byte was read and equals the record.
    """

    state: State
    basis: str
    findings: tuple[Finding, ...] = ()
    spans: tuple[Span, ...] = ()
    is_confirmed: bool = False
    bytes_read: int = 0
