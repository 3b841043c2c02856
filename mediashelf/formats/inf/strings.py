"""What %tokens% of an INF stand for: its [Strings] sections (INF Strings section)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from mediashelf.formats.inf.columns import string_columns
from mediashelf.formats.inf.faultless import unpacked
from mediashelf.formats.inf.sections import InfEntry, InfSection

_STRINGS = re.compile(r"strings\.(?:0x)?([0-9a-f]{4})")


class LateStrings(Mapping[str, str]):
    """The strings of a text that is kept packed."""

    __slots__ = ("_language", "_packed")

    def __init__(self, packed: bytes, language: int) -> None:
        self._packed = packed
        self._language = language

    def get(self, name: str, default: Any = None) -> Any:
        return _unpacked_strings(self._packed, self._language).get(name, default)

    def __getitem__(self, name: str) -> str:
        return _unpacked_strings(self._packed, self._language)[name]

    def __iter__(self) -> Iterator[str]:
        return iter(_unpacked_strings(self._packed, self._language))

    def __len__(self) -> int:
        return len(_unpacked_strings(self._packed, self._language))


@lru_cache(16)
def _unpacked_strings(packed: bytes, language: int) -> dict[str, str]:
    return all_strings(unpacked(packed), language)


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
            strings.update(zip(reversed(columns[0]), reversed(columns[1]), strict=True))
            continue
        strings.update(
            # An unquoted value may hold commas only by mistake; keep what is there.
            (entry.key.lower(), entry.values[0] if len(entry.values) == 1 else _joined(entry))
            for entry in reversed(section.entries)  # the first of duplicates wins
            if entry.key
        )
    return strings


def _joined(entry: InfEntry) -> str:
    return ",".join(entry.values)
