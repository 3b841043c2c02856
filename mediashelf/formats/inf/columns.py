"""Long sections whose lines all have the usual form, read as columns by one expression.

Each function gives None where a line has another form: then the entries tell.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from mediashelf.formats.inf.sections import InfSection

BOARD = "&SUBSYS_"
"""Stands between the chip and the board in an identifier."""

_KEPT = 8

# A line that goes on in the next one ends in a backslash, and has another form.
_MODEL = re.compile(
    r'^[ \t]*+([^",;=\s\\][^",;=\n]*+)=([^%",;=\n]*+),([^%",;=\n]*+)((?:,[^%",;=\n]*+)*+)'
    r"(?<![\\\s])$",
    re.MULTILINE,
)
_CONTINUED = re.compile(r"\\[^\S\n]*+(?:[;\n]|\Z)")
_TOKEN = re.compile(r"%([^%\n]*+)%")
_STRING = re.compile(
    r'^[ \t]*+([^%",;=\s][^%",;=\n]*+)=[ \t]*+"([^"\n]*+)"[ \t]*+(?:;[^\n]*+)?$', re.MULTILINE
)
_BLANKS_AND_COMMENT = re.compile(r'[^\S\n]*+(?:;[^"\n]*+)?$', re.MULTILINE)


class ModelColumns(NamedTuple):
    """What the entries of a models section have, without line numbers.

    ``descriptions`` and ``installs`` (names of install sections) are each there once, in the
    order of first occurrence; ``tokens`` are those of the descriptions. Identifiers are in
    upper case, and there for each entry: the hardware id, and all others with commas.
    """

    descriptions: tuple[str, ...]
    tokens: frozenset[str]
    installs: tuple[str, ...]
    hardware_ids: tuple[str, ...]
    others: tuple[str, ...]

    def named(self, wanted: frozenset[str]) -> set[str]:
        """Return the wanted identifiers that any entry has."""
        found = set(wanted.intersection(self.hardware_ids))
        for texts in set(self.others):
            found |= wanted.intersection(_identifiers(texts))
        return found

    def rows_naming(self, wanted: frozenset[str]) -> list[int]:
        """Return the places of the entries that name a wanted device or a board with its chip."""
        rows = {
            row
            for row, hardware_id in enumerate(self.hardware_ids)
            if hardware_id in wanted or hardware_id.partition(BOARD)[0] in wanted
        }
        good = {texts for texts in set(self.others) if not wanted.isdisjoint(_identifiers(texts))}
        if good:
            rows.update(row for row, texts in enumerate(self.others) if texts in good)
        return sorted(rows)


def _identifiers(texts: str) -> list[str]:
    return [one for one in (text.strip() for text in texts.split(",")) if one]


@lru_cache(_KEPT)
def model_columns(section: InfSection) -> ModelColumns | None:
    """Return the columns of a models section."""
    rows = _rows(_MODEL, section.text)
    if rows is None:
        return None
    descriptions, installs, hardware_ids, others = zip(*rows, strict=True)
    names = {name.strip(): None for name in dict.fromkeys(installs)}
    if "" in names:
        return None
    return ModelColumns(
        tuple(dict.fromkeys([text.rstrip() for text in descriptions])),
        frozenset(_TOKEN.findall("\n".join(descriptions))),
        tuple(names),
        tuple([text.strip() for text in "\n".join(hardware_ids).upper().split("\n")]),
        tuple("\n".join(others).upper().split("\n")),
    )


@lru_cache(_KEPT)
def string_columns(section: InfSection) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Return the names of strings, in lower case, and what they stand for."""
    rows = _rows(_STRING, section.text)
    if rows is None:
        return None
    names, values = zip(*rows, strict=True)
    return tuple([name.rstrip().lower() for name in names]), values


def _rows(form: re.Pattern[str], text: str) -> list[tuple[str, ...]] | None:
    """Return the groups of every line, None where there is none or one of another form."""
    text = text.strip("\n")
    rows = form.findall(text)
    if not rows:
        return None
    if len(rows) != text.count("\n") + 1:
        # Blank lines, and comments after lines without quotes.
        text = re.sub("\n{2,}", "\n", _BLANKS_AND_COMMENT.sub("", text)).strip("\n")
        rows = form.findall(text)
    return rows if len(rows) == text.count("\n") + 1 else None


def may_have(section: InfSection, key: str) -> bool:
    """Whether an entry of the section may have this key, in lower case; False is sure."""
    text = section.text
    if not text or key in text.lower() or _CONTINUED.search(text):
        return True
    if '"' not in text:
        return False
    columns = string_columns(section)
    return columns is None or key in columns[0]
