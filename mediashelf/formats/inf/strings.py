"""What %tokens% of an INF stand for: its [Strings] sections (INF Strings section)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from mediashelf.formats.inf.columns import string_columns
from mediashelf.formats.inf.faultless import Again, FaultlessSections, at_hand_again
from mediashelf.formats.inf.sections import InfEntry, InfSection

_STRINGS = re.compile(r"strings\.(?:0x)?([0-9a-f]{4})")


class LateStrings(Mapping[str, str]):
    """The strings of a text that may be let go."""

    __slots__ = ("_language", "_sections", "_strings")

    def __init__(self, sections: FaultlessSections, language: int) -> None:
        self._sections = sections
        self._language = language
        self._strings: dict[str, str] | None = None

    def let_go(self) -> None:
        """Keep nothing while nobody asks."""
        self._strings = None

    def at_hand(self) -> dict[str, str]:
        """Return the strings as a dictionary."""
        again = self._sections.again
        if again is not None and not self._sections.is_at_hand:
            return _strings_again(again, self._language)
        if self._strings is None:
            self._strings = all_strings(self._sections.at_hand(), self._language)
        return self._strings

    def get(self, name: str, default: Any = None) -> Any:
        return self.at_hand().get(name, default)

    def __getitem__(self, name: str) -> str:
        return self.at_hand()[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.at_hand())

    def __len__(self) -> int:
        return len(self.at_hand())


@lru_cache(16)
def _strings_again(again: Again, language: int) -> dict[str, str]:
    return all_strings(at_hand_again(again), language)


def all_strings(sections: Mapping[str, InfSection], language: int) -> dict[str, str]:
    """Return the strings: of any language, then plain, then of the language's family, then its own.

    Later ones win. Any language is better than a bare %token% where nothing else has it.
    """
    ranked: list[tuple[int, InfSection]] = []
    for name, section in sections.items():
        if name == "strings":
            ranked.append((1, section))
        elif match := _STRINGS.fullmatch(name):
            found = int(match[1], 16)
            # The low 10 bits are the primary language.
            rank = 3 if found == language else 2 if found & 0x3FF == language & 0x3FF else 0
            ranked.append((rank, section))
    strings: dict[str, str] = {}
    for _, section in sorted(ranked, key=lambda pair: pair[0]):
        columns = string_columns(section)
        if columns is not None:
            strings = strings | columns.named if strings else columns.named
            continue
        strings = strings | {
            # An unquoted value may hold commas only by mistake; keep what is there.
            entry.key.lower(): entry.values[0] if len(entry.values) == 1 else _joined(entry)
            for entry in reversed(section.entries)  # the first of duplicates wins
            if entry.key
        }
    return strings


def _joined(entry: InfEntry) -> str:
    return ",".join(entry.values)
