"""What is to run every night."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct


class NightlyAudit(Struct, frozen=True):
    """What is to run every night, and for whom.

    ``program`` is what runs mediashelf, ``words`` come after it. ``user`` is empty where
    the system itself knows. ``age`` is the span in words. ``catalogue_folder`` and
    ``shelves`` are absolute.
    """

    program: Sequence[Path | str]
    words: Sequence[Path | str]
    user: str
    age: str
    hour: int
    minute: int
    catalogue_folder: Path
    shelves: Sequence[Path]

    @property
    def command(self) -> list[str]:
        """The whole command, word by word."""
        return [str(word) for word in (*self.program, *self.words)]
