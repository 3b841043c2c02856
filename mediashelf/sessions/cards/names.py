"""Names on the card: clear, plain ASCII, in the order of use, and never those of other files."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path

from mediashelf.sessions.cards.records import CardRecords
from mediashelf.sessions.manifests.sense import comparable_path

_LONGEST_STEM = 24


_SUFFIX = re.compile(r"\.(?:iso|toml|cue|bin|img)$", re.IGNORECASE)


def disc_names(position: int, code: str, name: str) -> Iterator[str]:
    """Yield names for a disc, best first: ``01-K7C-SYSTEM.iso``, ``01-K7C-SYSTEM-2.iso`` …

    The disc's short code stands at the front, where a narrow display shows it.
    ``name`` is a label or a file's name. Accents are dropped; whatever is not an
    ASCII letter or digit becomes a hyphen, so that every card and every display
    can show it.
    """
    plain = unicodedata.normalize("NFKD", _SUFFIX.sub("", name))
    plain = "".join(one for one in plain if not unicodedata.combining(one)).upper()
    words = re.findall(r"[A-Z0-9]+", plain, re.ASCII)
    stem = "-".join(words)[:_LONGEST_STEM].rstrip("-") or "DISC"
    return numbered(f"{position:02d}-{code}-{stem}", ".iso")


def numbered(stem: str, suffix: str) -> Iterator[str]:
    """Yield ``stem.suffix``, then ``stem-2.suffix``, ``stem-3.suffix`` and so on."""
    yield stem + suffix
    number = 2
    while True:
        yield f"{stem}-{number}{suffix}"
        number += 1


class CardNames:
    """Gives out names in the card's top folder that belong to nobody else."""

    def __init__(self, card: Path, records: CardRecords) -> None:
        there = {comparable_path(path.name) for path in card.iterdir()}
        self._taken = there - {comparable_path(file.path) for file in records.files}
        self._given: set[str] = set()

    def take(self, names: Iterator[str]) -> str:
        """Return the first of ``names`` that is free, or is a file that we put there ourselves."""
        for name in names:
            key = comparable_path(name)
            if key not in self._taken and key not in self._given:
                self._given.add(key)
                return name
        raise AssertionError("names run out only when the iterator ends")
