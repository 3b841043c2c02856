"""What %tokens% of an INF stand for: its [Strings] sections (INF Strings section)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache

from mediashelf.formats.inf.text.columns import string_columns
from mediashelf.formats.inf.text.faultless import UNPACKED, Again, sections_again
from mediashelf.formats.inf.text.sections import InfEntry, InfSection

MAX_TEXT = 4096
"""Longest value of a string since 6.0 (INF Strings section); longer text is cut when it is used."""

MOST_SUBSTITUTED = 8 << 20
"""Characters that all %tokens% of a text together may become; our own limit."""

TOKEN = re.compile(r"%([^%]*)%")
_STRINGS = re.compile(r"strings\.(?:0x)?([0-9a-f]{4})")


@lru_cache(UNPACKED)
def strings_again(again: Again, language: int) -> dict[str, str]:
    """Return the strings of a text that was let go."""
    return all_strings(sections_again(again), language)


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


def are_surely_bounded(text: str) -> bool:
    """Whether no strings can make the substitutions in a text too long."""
    return text.count("%") // 2 * MAX_TEXT <= MOST_SUBSTITUTED


def longest_string(text: str, strings: Mapping[str, str]) -> int:
    """Return to what length strings must be cut so that all substitutions are bounded, or 0."""
    tokens = text.count("%") // 2
    if tokens * min(max(map(len, strings.values()), default=0), MAX_TEXT) <= MOST_SUBSTITUTED:
        return 0  # also if every token were the longest
    sizes = {f"%{name}%": min(len(value), MAX_TEXT) for name, value in strings.items()}
    total = sum(sizes.get(match[0].lower(), 0) for match in TOKEN.finditer(text))
    return MOST_SUBSTITUTED // tokens if total > MOST_SUBSTITUTED else 0
