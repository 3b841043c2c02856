"""Texts that break no rule: sections are found by one look, and read when they are asked for.

Most texts are such. One is at hand until it is let go; then it is kept packed, or read again
from where it came, while somebody asks: a collection has thousands, of which a question needs
a few lines each.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable, Sequence
from functools import lru_cache

from mediashelf.formats.inf.text import lexer
from mediashelf.formats.inf.text.lines import has_no_end_slash
from mediashelf.formats.inf.text.sections import InfEntry, InfSection

Again = Callable[[], str]
"""Gives a text with plain line ends once more; it may raise ``OSError`` or an error of ours."""

UNPACKED = 16
"""Texts that are at hand once more, the last ones: an INF and those that it includes."""

_LONGEST_NAME = 255
_LONGEST_LINE = 4095
"""No line that is as short has a field that is too long."""

# The tokens are those of the lexer; no line continues in the next one.
_LINE = (
    r'(?:[^"%;\\\n]++|"[^"\n]*+"|%[^%",=\n]*+%|%|\\(?![^\S\n]*+[;\n]|[^\S\n]*+\Z))*+(?:;[^\n]*+)?'
)
_LINES = re.compile(rf"(?:{_LINE}\n)*+{_LINE}")
_AFTER_HEADING = re.compile(r"[^\S\n]*+(?:;[^\n]*+)?")
_BLANK_OR_COMMENT = re.compile(r"(?:[^\S\n]*+(?:;[^\n]*+)?(?:\n|\Z))*?")
_INDENTED = re.compile(r"\n[^\S\n]++\[")

_OTHER_BLANKS = "\v\f\x1c\x1d\x1e\x1f"
_NO_QUOTES = bytes(set(range(256)) - set(b'"\n'))


def _is_plain(text: str) -> bool:
    """Whether text surely breaks no rule: closed quotes, no comment, no line that goes on."""
    if ";" in text or any(blank in text for blank in _OTHER_BLANKS):
        return False
    if not has_no_end_slash(text):
        return False
    if '"' not in text:
        return True
    quotes = text.encode("utf-8", "surrogatepass").translate(None, _NO_QUOTES)
    return b'"' not in quotes.replace(b'""', b"")


def faultless_entries(text: str, line: int) -> list[InfEntry]:
    """Return what :func:`lex_lines` does, of lines that break no rule and are not long."""
    if not has_no_end_slash(text):
        return lexer.lex_lines(text, line)[0]
    entries: list[InfEntry] = []
    for number, raw in enumerate(text.split("\n"), line):
        content = raw.strip()
        if '"' in content or ";" in content:
            entry = _quoted_entry(content, number)
            entries += lexer.lex_lines(content, number)[0] if entry is None else (entry,)
        elif content:
            key, equals, rest = content.partition("=")
            if not equals or "," in key:
                key, rest = "", content
            values = tuple([value.strip() for value in rest.split(",")])
            entries.append(InfEntry(key.rstrip(), values, number))
    return entries


def _quoted_entry(content: str, number: int) -> InfEntry | None:
    """Return the entry of ``key = "value"``, None where the line has another form."""
    head, _, rest = content.partition('"')
    value = rest[:-1]
    head = head.rstrip()
    if rest[-1:] != '"' or '"' in value or head[-1:] != "=" or ";" in head or "," in head:
        return None
    key = head[:-1]
    return None if "=" in key else InfEntry(key.rstrip(), (value,), number)


class PlainSection(InfSection):
    """A section whose entries are made when they are asked for."""

    __slots__ = ("_is_whole", "_places")

    def __init__(self, name: str, line: int, text: str) -> None:
        self.name = name  # nothing else is called: a collection has tens of thousands of these
        self.line = line
        self.text = text
        self._entries = None
        self._known = {}
        self._places = [(text, line + 1)]
        self._is_whole = False

    def add(self, text: str, line: int) -> None:
        """Add another place of the section: its lines and the number of the first."""
        self._places.append((text, line))

    def join(self) -> None:
        """Join the lines of all places, once all are there."""
        self.text = "\n".join(text for text, _ in self._places)

    def keep_whole(self) -> None:
        """Take note that no line goes on in the next one."""
        self._is_whole = True

    def is_faultless(self) -> bool:
        """Whether no line breaks a rule; few need more than one look."""
        return all(
            _is_plain(text) or _LINES.fullmatch(text) or lexer.lex_lines(text, line)[1]
            for text, line in self._places
        )

    @property
    def entries(self) -> tuple[InfEntry, ...]:
        if self._entries is None:
            self._entries = tuple(
                entry for text, line in self._places for entry in faultless_entries(text, line)
            )
        return self._entries

    def entries_of(self, rows: Sequence[int]) -> tuple[InfEntry, ...]:
        if not rows:
            return ()
        found: list[tuple[str, int]] = []
        for text, first in self._places:
            lines = text.removesuffix("\n").split("\n")
            if len(self._places) == 1 and ";" not in text and all(map(str.strip, lines)):
                found = [(lines[row], first + row) for row in rows]  # each line is an entry
                break
            found += [
                (line, number)
                for number, line in enumerate(lines, first)
                if (bare := line.strip()) and bare[0] != ";"
            ]
        else:
            found = [found[row] for row in rows]
        return tuple(entry for one in found for entry in faultless_entries(*one))

    @property
    def first_line(self) -> int:
        if len(self._places) != 1:
            return 0
        text, line = self._places[0]
        return line + len(text) - len(text.lstrip("\n"))

    @property
    def has_whole_lines(self) -> bool:
        return self._is_whole or self.once("whole lines", lambda: has_no_end_slash(self.text))


class Packed:
    """A text that was let go."""

    __slots__ = ("_packed",)

    def __init__(self, text: str) -> None:
        self._packed = zlib.compress(text.encode("utf-8", "surrogatepass"), 1)

    def __call__(self) -> str:
        return zlib.decompress(self._packed).decode("utf-8", "surrogatepass")

    def __len__(self) -> int:
        return len(self._packed)


@lru_cache(UNPACKED)
def sections_again(again: Again) -> dict[str, PlainSection]:
    """Return the sections of a text that was let go."""
    found = _split(again())
    assert found is not None
    return found


def faultless_sections(text: str) -> dict[str, PlainSection] | None:
    """Return the sections of a text with plain line ends; None where it may break a rule."""
    if len(text) > lexer.MOST_PIECES // 2 or _has_long_line(text):
        return None  # shorter ones reach no limit of the lexer
    sections = _split(text)
    if sections is None or len(sections) > lexer.MOST_SECTIONS:
        return None
    if text.count("[") > len(sections) and _INDENTED.search(text):
        return None
    if _is_plain(text):
        for section in sections.values():
            section.keep_whole()
        return sections
    return sections if all(section.is_faultless() for section in sections.values()) else None


def _has_long_line(text: str) -> bool:
    at = 0
    while len(text) - at > _LONGEST_LINE:
        at = text.rfind("\n", at, at + _LONGEST_LINE + 1) + 1
        if not at:
            return True
    return False


def _at_headings(text: str) -> list[str]:
    """Return what is between the brackets that begin lines, line ends before them left out."""
    pieces = text.split("[")  # one character is found in a tenth of the time
    last = pieces.pop()
    if "".join([piece[-1:] for piece in pieces]) == "\n" * len(pieces):
        return [*[piece[:-1] for piece in pieces], last]
    return text.split("\n[")


def _split(text: str) -> dict[str, PlainSection] | None:
    """Return the sections, None where a heading or what is before the first is not plain."""
    before, *parts = _at_headings("\n" + text)
    if not parts or not _BLANK_OR_COMMENT.fullmatch(before):
        return None
    sections: dict[str, PlainSection] = {}
    merged: dict[str, PlainSection] = {}
    number = before.count("\n") + 1
    for part in parts:
        heading, _, lines = part.partition("\n")
        if heading.endswith("]") and heading.count("]") == 1:
            name = heading[:-1]
        else:
            name, bracket, rest = heading.partition("]")
            if not bracket or (rest and not _AFTER_HEADING.fullmatch(rest)):
                return None
        if len(name) > _LONGEST_NAME or name != name.strip():
            return None
        key = name.lower()
        section = sections.get(key)
        if section is None:
            sections[key] = PlainSection(name, number, lines)
        else:
            section.add(lines, number + 1)
            merged[key] = section
        number += part.count("\n") + 1
    for section in merged.values():
        section.join()
    return sections
