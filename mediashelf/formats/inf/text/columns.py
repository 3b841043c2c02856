"""Long sections whose lines all have the usual form, read as columns by one expression.

Each function gives None where a line has another form: then the entries tell.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from msgspec import Struct

from mediashelf.formats.inf.text.sections import InfSection

_STRING_COLUMNS = "string columns"
BOARD = "&SUBSYS_"
"""Stands between the chip and the board in an identifier."""

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
_BLANKS = b" \t\v\f\x1c\x1d\x1e\x1f"
_NOT_TELLING = bytes(set(range(256)) - set(b'=,\n";%' + _BLANKS))
_HEADS = re.compile(r'[^%",;=\s][^%",;=\n]*+=[ \t]*+(?:"\n[ \t]*+[^%",;=\s][^%",;=\n]*+=[ \t]*+)*+')
_BLANKS_AND_COMMENT = re.compile(r'[^\S\n]*+(?:;[^"\n]*+)?$', re.MULTILINE)


class ModelColumns(Struct, frozen=True):
    """What the entries of a models section have, without line numbers.

    ``descriptions`` are there for each entry, and so are identifiers, in upper case: the
    hardware id, and all others with commas, of which there may be none at all. ``installs``
    (names of install sections) are there once each, in the order of first occurrence, and
    ``rows`` have them for each entry where every line is one of the plainest form.
    """

    descriptions: Sequence[str]
    installs: tuple[str, ...]
    hardware_ids: Sequence[str]
    others: Sequence[str] = ()
    rows: Sequence[str] = ()

    @property
    def tokens(self) -> list[str]:
        """The tokens of the descriptions, in lower case."""
        joined = "\n".join(self.descriptions)
        count = len(self.descriptions)
        is_each_one = joined.count("%") == 2 * count and joined.count("%\n%") == count - 1
        if is_each_one and joined[0] == joined[-1] == "%":
            return joined[1:-1].lower().split("%\n%")
        found: list[str] = _TOKEN.findall(joined.lower())
        return found

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
        for column in (chips, self.hardware_ids):
            if not wanted.isdisjoint(column):
                rows.update([row for row, text in enumerate(column) if text in wanted])
        good = {texts for texts in set(self.others) if not wanted.isdisjoint(_identifiers(texts))}
        if good:
            rows.update([row for row, texts in enumerate(self.others) if texts in good])
        return sorted(rows)


def _identifiers(texts: str) -> list[str]:
    return [one for one in (text.strip() for text in texts.split(",")) if one]


def model_columns(section: InfSection) -> ModelColumns | None:
    """Return the columns of a models section."""
    return section.once("model columns", lambda: _model_columns(section.text.strip("\n")))


def _model_columns(text: str) -> ModelColumns | None:
    columns = _plain_models(text)
    if columns is not None:
        return columns
    rows = _rows(_MODEL, text)
    if rows is None:
        return None
    descriptions, installs, hardware_ids, others = zip(*rows, strict=True)
    names = [name.strip() for name in dict.fromkeys(installs)]
    if "" in names:
        return None
    return ModelColumns(
        [description.rstrip() for description in descriptions],
        tuple(dict.fromkeys(names)),
        [one.strip() for one in "\n".join(hardware_ids).upper().split("\n")],
        "\n".join(others).upper().split("\n") if any(others) else (),
    )


def _plain_models(text: str) -> ModelColumns | None:
    """Return the columns of lines that all are ``key=install,identifier``, and else None.

    The key may be one token, or has none.
    """
    telling = text.encode("utf-8", "surrogatepass").translate(None, _NOT_TELLING)
    line = telling.partition(b"\n")[0].translate(None, _BLANKS) + b"\n"
    if line not in (b"%%=,\n", b"=,\n"):
        return None
    has_blanks = not text.isascii()
    count = len(telling) // len(line) + 1
    if telling != (line * count)[:-1]:
        telling = telling.translate(None, _BLANKS)
        count = len(telling) // len(line) + 1
        if telling != (line * count)[:-1]:
            return None
        has_blanks = True
    pieces = text.replace("=", "\n").replace(",", "\n").split("\n")
    if has_blanks:  # beside what they part
        pieces = [piece.strip() for piece in pieces]
    keys, installs, hardware_ids = pieces[0::3], pieces[1::3], pieces[2::3]
    last = "\n".join(hardware_ids)
    if "\\\n" in last or last.endswith("\\"):
        return None
    if not all(keys) or "\n\\" in "\n".join(["", *keys]):
        return None
    names = tuple(dict.fromkeys(installs))
    if "" in names:
        return None
    capitals = last.upper()
    if capitals != last:
        hardware_ids = capitals.split("\n")
    return ModelColumns(keys, names, hardware_ids, rows=installs)


class StringColumns(Struct, frozen=True):
    """What strings stand for, by name in lower case, and of how many lines that is."""

    named: dict[str, str]
    line_count: int
    values: Sequence[str]


def string_columns(section: InfSection) -> StringColumns | None:
    """Return the strings of a section; of duplicates the first one counts."""
    return section.once(_STRING_COLUMNS, lambda: _string_columns(section.text.strip("\n")))


def _string_columns(text: str) -> StringColumns | None:
    columns = _plain_strings(text)
    if columns is None:
        rows = _rows(_STRING, text)
        if rows is None:
            return None
        columns = [head.rstrip().lower() for head, _ in rows], [value for _, value in rows]
    names, values = columns
    named = dict(zip(names, values, strict=True))
    if len(named) != len(names):
        named = dict(zip(reversed(names), reversed(values), strict=True))
    return StringColumns(named, len(names), values)


def _plain_strings(text: str) -> tuple[Sequence[str], Sequence[str]] | None:
    """Return the columns of lines that all are ``key = "value"``, and else None."""
    pieces = text.split('"')
    heads, values = pieces[:-1:2], pieces[1::2]
    if pieces[-1] or "\n" in "".join(values):
        return None
    joined = '"'.join(heads)
    if joined.isascii() and joined.endswith("="):
        telling = joined.encode("ascii").translate(None, _NOT_TELLING)
        if telling == b'="\n' * (len(heads) - 1) + b"=":  # without blanks
            names = joined[:-1].lower().split('="\n')
            if len(names) == len(heads) and all(names):
                return names, values
    if not _HEADS.fullmatch(joined):
        return None
    return [head.strip().removesuffix("=").rstrip().lower() for head in heads], values


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
    if not text:
        return True
    columns: StringColumns | None = section.known(_STRING_COLUMNS)
    if columns is not None:
        return key in columns.named
    text = text.lower()
    if key in text:
        return True
    if "\\" in text and not section.has_whole_lines and _CONTINUED.search(text):
        return True
    return '"' in text and key in text.replace('"', "")  # as quotes may be anywhere in a key
