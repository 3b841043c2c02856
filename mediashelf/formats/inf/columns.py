"""Long sections whose lines all have the usual form, read as columns by one expression.

Each function gives None where a line has another form: then the entries tell.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
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
_NOT_SEPARATING = bytes(set(range(256)) - set(b'=,\n";'))
_HEADS = re.compile(r'[^%",;=\s][^%",;=\n]*+=[ \t]*+(?:"\n[ \t]*+[^%",;=\s][^%",;=\n]*+=[ \t]*+)*+')
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
        chips = [hardware_id.partition(BOARD)[0] for hardware_id in self.hardware_ids]
        rows: set[int] = set()
        if not (wanted.isdisjoint(self.hardware_ids) and wanted.isdisjoint(chips)):
            pairs = zip(self.hardware_ids, chips, strict=True)
            rows = {row for row, pair in enumerate(pairs) if not wanted.isdisjoint(pair)}
        good = {texts for texts in set(self.others) if not wanted.isdisjoint(_identifiers(texts))}
        if good:
            rows.update(row for row, texts in enumerate(self.others) if texts in good)
        return sorted(rows)


def _identifiers(texts: str) -> list[str]:
    return [one for one in (text.strip() for text in texts.split(",")) if one]


@lru_cache(_KEPT)
def model_columns(section: InfSection) -> ModelColumns | None:
    """Return the columns of a models section."""
    text = section.text.strip("\n")
    columns = _plain_models(text)
    if columns is not None:
        return columns
    rows = _rows(_MODEL, text)
    if rows is None:
        return None
    descriptions, installs, hardware_ids, others = zip(*rows, strict=True)
    return _columns(
        [description.rstrip() for description in descriptions],
        [name.strip() for name in dict.fromkeys(installs)],
        [one.strip() for one in "\n".join(hardware_ids).upper().split("\n")],
        "\n".join(others).upper().split("\n"),
    )


def _columns(
    descriptions: Sequence[str],
    installs: Sequence[str],
    hardware_ids: Sequence[str],
    others: Sequence[str],
) -> ModelColumns | None:
    if "" in installs:
        return None
    return ModelColumns(
        tuple(dict.fromkeys(descriptions)),
        frozenset(_TOKEN.findall("\n".join(descriptions))),
        tuple(dict.fromkeys(installs)),
        tuple(hardware_ids),
        tuple(others),
    )


def _plain_models(text: str) -> ModelColumns | None:
    """Return the columns of lines that all are ``key=install,identifier``, and else None."""
    count = text.count("\n") + 1
    kept = text.encode("utf-8", "surrogatepass").translate(None, _NOT_SEPARATING)
    if kept != (b"=,\n" * count)[:-1]:
        return None
    pieces = text.replace("=", "\n").replace(",", "\n").split("\n")
    if len(text.split()) != count:  # blanks beside what they part
        pieces = [piece.strip() for piece in pieces]
    keys, installs = pieces[0::3], pieces[1::3]
    last = "\n".join(pieces[2::3])
    if "%" in last or "\\\n" in last or last.endswith("\\"):
        return None
    if not all(keys) or "\n\\" in "\n".join(["", *keys]):
        return None
    installs = list(dict.fromkeys(installs))
    if any("%" in install for install in installs):
        return None
    return _columns(keys, installs, last.upper().split("\n"), [""] * count)


@lru_cache(_KEPT)
def string_columns(section: InfSection) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Return the names of strings, in lower case, and what they stand for."""
    columns = _plain_strings(section.text)
    if columns is None:
        rows = _rows(_STRING, section.text)
        if rows is None:
            return None
        columns = tuple(zip(*rows, strict=True))
    names, values = columns
    return tuple([name.rstrip().lower() for name in names]), tuple(values)


def _plain_strings(text: str) -> tuple[Sequence[str], ...] | None:
    """Return the columns of lines that all are ``key = "value"``, and else None."""
    pieces = text.strip("\n").split('"')
    heads, values = pieces[:-1:2], pieces[1::2]
    if pieces[-1] or not _HEADS.fullmatch('"'.join(heads)):
        return None
    if "\n" in "".join(values):
        return None
    return [head.strip().removesuffix("=") for head in heads], values


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
