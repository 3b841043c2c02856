"""What fixity is judged from and what comes out: records, observations, verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mediashelf.findings import Finding
from mediashelf.integrity.fixity.digests import BLOCK_SIZE, Digests
from mediashelf.integrity.structure.damage import Span


class State(StrEnum):
    """What an audit says of one image; see the table in comparing.py."""

    SOUND = "sound"
    UNRECORDED = "unrecorded"
    DAMAGED = "damaged"
    DECAYED = "decayed"
    CHANGED = "changed"
    TRUNCATED = "truncated"
    MISSING = "missing"
    AWAY = "away"
    UNREADABLE = "unreadable"

    @property
    def shown(self) -> str:
        """The state as people read it."""
        return STATE_WORDS.get(self.value, self.value)

    @property
    def shown_in_list(self) -> str:
        """The same without a comma, for a list of counts."""
        return self.shown.replace(", ", " and ")


STATE_WORDS = {
    "changed": "changed, waiting",
    "unrecorded": "no record",
}
"""The states whose words for people are not those in data."""


WORST_FIRST = (
    State.UNREADABLE,
    State.DECAYED,
    State.TRUNCATED,
    State.DAMAGED,
    State.CHANGED,
    State.MISSING,
    State.AWAY,
    State.UNRECORDED,
    State.SOUND,
)
"""Every state; what may be lost comes before what a person may have done."""


class Absence(StrEnum):
    """Why there is no file to look at."""

    MISSING = "missing"
    AWAY = "away"


@dataclass(frozen=True, slots=True)
class FixityRecord:
    """What is recorded of a file: size, date, digests, and the days of both.

    ``digests`` maps algorithm to hexadecimal digest. ``blocks`` joins the
    8-byte xxh3_64 of every ``block_size`` bytes and may be empty.
    """

    size: int
    mtime_ns: int
    digests: dict[str, str]
    blocks: bytes = b""
    block_size: int = BLOCK_SIZE
    recorded_at: str = ""
    confirmed_at: str = ""


@dataclass(frozen=True, slots=True)
class Observed:
    """What a look at the file found now.

    ``digests`` is None where the contents were not read. ``problem`` is why the
    file could not be read to the end, or empty.
    """

    size: int = 0
    mtime_ns: int = 0
    digests: Digests | None = None
    problem: str = ""
    absence: Absence | None = None


@dataclass(frozen=True, slots=True)
class FixityVerdict:
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
