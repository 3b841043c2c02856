"""The catalogue's rows as values, and how outside text is kept without loss."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

from msgspec import Struct

from mediashelf.findings import Severity
from mediashelf.integrity.fixity.states import STATE_WORDS, State


class Presence(StrEnum):
    """Where the last scan or audit found an image's file."""

    HERE = "here"
    MISSING = "missing"  # its place is there, the file is not
    AWAY = "away"  # its place is not there: an unplugged disk, card or share


RECORDED = "recorded"
"""Verdict of an image whose digest is on record and which no audit has read since."""

STATES = (RECORDED, *(state.value for state in State))
"""Every word that :attr:`ImageRow.state` can be."""


class Waiting(Struct, frozen=True):
    """What was last read of an image whose bytes are not those on record.

    ``seen_at`` is when these bytes were first seen. ``judged`` is a :class:`State` word,
    the worst that was said of them, and ``judged_at`` the moment of that.
    """

    size: int
    mtime_ns: int
    digests: dict[str, str]
    seen_at: str
    judged: str
    judged_at: str

    def has(self, digests: Mapping[str, str]) -> bool:
        """Tell whether these are digests of the bytes that wait."""
        common = self.digests.keys() & digests.keys()
        return bool(common) and all(self.digests[name] == digests[name] for name in common)


class Description(Struct, frozen=True):
    """What the keeper says of the disc with these bytes; empty texts and 0 say nothing.

    ``set_number`` of ``set_size`` is its place in a set called ``set_name``.
    """

    note: str = ""
    tags: tuple[str, ...] = ()
    place: str = ""
    part_number: str = ""
    set_name: str = ""
    set_number: int = 0
    set_size: int = 0

    @property
    def set_text(self) -> str:
        """The place in a set as it is written: ``2/3``, with a name ``Kiosk 2/3``."""
        numbers = f"{self.set_number}/{self.set_size}" if self.set_number else ""
        return " ".join(filter(None, [self.set_name, numbers]))


class Expected(Struct, frozen=True):
    """A digest that a list publishes for an image; ``list_name`` is that of the list.

    ``is_met`` tells whether the image's record has it, or had it once; None while no
    digest of this algorithm is on record.
    """

    algorithm: str
    digest: str
    list_name: str
    is_met: bool | None


class ShelfRow(Struct, frozen=True):
    """A registered folder tree. ``image_count`` leaves missing images out."""

    id: int
    name: str
    root: Path
    added_at: str
    scanned_at: str | None
    image_count: int = 0
    total_size: int = 0


_INSIDE = (State.DAMAGED, State.TRUNCATED)  # what can be acknowledged
_NONE: Mapping[Any, Any] = MappingProxyType({})


class ImageRow(NamedTuple):
    """What is on record of one image file.

    ``path`` is relative to the shelf, with ``/``. ``verdict`` is
    :data:`RECORDED` or a :class:`State` word, and ``judged_by``
    says whether it is a ``scan``'s or an ``audit``'s. ``digests``
    maps algorithm to hexadecimal digest; it is empty while the file could not be
    read, or where digests were not asked for. ``labels`` and ``kinds`` are those of its
    volumes, in order. ``finding_counts`` counts what was found last, by severity; ``errors`` are
    those that the image had when its digest was recorded: such a digest does not
    vouch for a sound disc. Findings that the keeper acknowledged count as notes;
    ``acknowledged`` counts them. ``size``, ``mtime_ns`` and all about the contents are
    those on record; ``waiting`` is what was last read, where that differs.
    """

    id: int
    shelf: str
    root: Path
    path: str
    size: int
    mtime_ns: int
    file_system: str
    presence: Presence
    verdict: str
    judged_by: str
    problem: str
    is_sheet: bool
    looks_raw: bool
    entry_count: int
    scanned_at: str
    audited_at: str | None
    recorded_at: str = ""
    confirmed_at: str = ""
    digests: Mapping[str, str] = _NONE
    kinds: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()
    finding_counts: Mapping[Severity, int] = _NONE
    errors: int = 0
    acknowledged: int = 0
    waiting: Waiting | None = None
    description: Description = Description()
    expected: tuple[Expected, ...] = ()

    @property
    def file(self) -> Path:
        """The image's place on disk."""
        return self.root / self.path

    @property
    def where(self) -> str:
        """The image as people see it named, and may name it."""
        return f"{self.shelf}: {self.path}"

    @property
    def label(self) -> str:
        """The label to show: that of the last volume that has one, as it is the least cut."""
        for label in reversed(self.labels):
            if label:
                return label
        return ""

    @property
    def state(self) -> str:
        """One word of :data:`STATES`: where the file is not here, that; else the verdict."""
        return self.verdict if self.presence is Presence.HERE else self.presence.value

    @property
    def state_word(self) -> str:
        """The state as people read it."""
        state = self.state
        word = STATE_WORDS.get(state, state)
        if self.expected:
            word += self.unmet_words
        return f"{word} (acknowledged)" if self.acknowledged and self.is_acknowledged else word

    @property
    def is_acknowledged(self) -> bool:
        """True where the bytes are as recorded, and the keeper lives with all that is wrong."""
        if not self.acknowledged or self.state not in _INSIDE:
            return False
        return max(self.finding_counts, default=None) is Severity.NOTE

    @property
    def unmet_words(self) -> str:
        """What is added to the state of an image that never matched its published digest."""
        if self.expected and any(one.is_met is False for one in self.expected):
            return ", not as published"
        return ""

    @property
    def key_digest(self) -> str:
        """The digest that the keeper's words are kept by; empty without a record."""
        return self.digests.get("xxh3_128") or next(iter(self.digests.values()), "")


def kept_number(number: int) -> int:
    """Return a number from a file system or a disc as SQLite can hold it: 64 bits, signed.

    A date beyond the year 2262, in nanoseconds, becomes the last one that fits.
    """
    if -(1 << 63) <= number < 1 << 63:
        return number
    return (1 << 63) - 1 if number > 0 else -(1 << 63)


def utc_now() -> str:
    """Return this second in UTC, ISO 8601."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def day_shown(moment: str) -> str:
    """Return the day of a moment as people read it, and that a clock was ahead where it was."""
    return f"{moment[:10]} (in the future)" if moment > utc_now() else moment[:10]


_FILE_NAMES, _FILE_NAME_ERRORS = sys.getfilesystemencoding(), sys.getfilesystemencodeerrors()


def keep_path(path: Path | str) -> bytes:
    """Return a path of this system's disks as the bytes that the system itself uses."""
    if os.name == "nt":
        with suppress(UnicodeEncodeError):  # one half of a pair of UTF-16 is kept as below
            return os.fspath(path).encode("utf-8", "surrogateescape")
    return os.fsencode(path)


def kept_path(data: bytes) -> str:
    """Return what :func:`keep_path` kept."""
    try:
        return data.decode(_FILE_NAMES, _FILE_NAME_ERRORS)  # os.fsdecode, in a fifth of the time
    except UnicodeDecodeError:  # in Windows, where another system kept a name that is no UTF-8
        return data.decode("utf-8", "surrogateescape")


def keep_text(text: str) -> bytes:
    """Return any text, lone surrogates too, as bytes."""
    return text.encode("utf-8", "surrogatepass")


def kept_text(data: bytes) -> str:
    """Return what :func:`keep_text` kept."""
    return data.decode("utf-8", "surrogatepass")
