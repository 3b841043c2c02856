"""Texts that break no rule: sections are found by one look, and read when they are asked for.

Most texts are such. They are kept packed, and unpacked while somebody asks: a collection
has thousands, of which a question needs a few lines each.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache

from mediashelf.formats.inf import lexer
from mediashelf.formats.inf.sections import InfEntry, InfSection

_UNPACKED = 16
"""Texts that are kept unpacked, the last ones: an INF and those that it includes."""

_LONGEST_NAME = 255
_LONGEST_LINE = 4095
"""No line that is as short has a field that is too long."""

# The tokens are those of the lexer; no line continues in the next one.
_LINE = (
    r'(?:[^"%;\\\n]++|"[^"\n]*+"|%[^%",=\n]*+%|%|\\(?![^\S\n]*+[;\n]|[^\S\n]*+\Z))*+(?:;[^\n]*+)?'
)
_LINES = re.compile(rf"(?:{_LINE}\n)*+{_LINE}")
_HEADING = re.compile(rf"\[([^\]\n]{{0,{_LONGEST_NAME}}})\][^\S\n]*+(?:;[^\n]*+)?(?:\n|\Z)")
_BLANK_OR_COMMENT = re.compile(r"(?:[^\S\n]*+(?:;[^\n]*+)?(?:\n|\Z))*?")
_INDENTED = re.compile(r"\n[^\S\n]++\[")


_TELLING = b'";\v\f\x1c\x1d\x1e\x1f\n'
_NOT_TELLING = bytes(set(range(256)) - set(_TELLING))


def _is_plain(text: str) -> bool:
    """Whether text surely breaks no rule: closed quotes, no comment, no line that goes on."""
    if "\\" in text:
        if not text.isascii() or "\\\n" in text or "\\ " in text or "\\\t" in text:
            return False
        if text.endswith("\\"):
            return False
    telling = text.encode("utf-8", "surrogatepass").translate(None, _NOT_TELLING)
    return not telling.replace(b'""', b"").replace(b"\n", b"")


class _Section(InfSection):
    """A section whose entries are made when they are asked for."""

    __slots__ = ("_places",)

    def __init__(self, name: str, line: int) -> None:
        super().__init__(name, line)
        self._entries = None
        self._places: list[tuple[str, int]] = []

    def add(self, text: str, line: int) -> None:
        """Add a place of the section: its lines and the number of the first."""
        self._places.append((text, line))

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
                entry
                for text, line in self._places
                for entry in lexer.faultless_entries(text, line)
            )
        return self._entries

    def entries_of(self, rows: Sequence[int]) -> tuple[InfEntry, ...]:
        if not rows:
            return ()
        lines = [
            (line, number)
            for text, first in self._places
            for number, line in enumerate(text.split("\n"), first)
            if line and not line.isspace() and line.lstrip()[0] != ";"
        ]
        return tuple(entry for row in rows for entry in lexer.faultless_entries(*lines[row]))

    @property
    def text(self) -> str:
        if len(self._places) == 1:
            return self._places[0][0]
        return "\n".join(text for text, _ in self._places)


class FaultlessSections(Mapping[str, InfSection]):
    """The sections of a text by lower-case name in the order of first occurrence."""

    __slots__ = ("packed",)

    def __init__(self, text: str, sections: dict[str, _Section]) -> None:
        self.packed = zlib.compress(text.encode("utf-8", "surrogatepass"), 1)
        _last_packed[0] = self.packed, sections

    def __getitem__(self, name: str) -> InfSection:
        return unpacked(self.packed)[name]

    def __contains__(self, name: object) -> bool:
        return name in unpacked(self.packed)

    def get(self, name: str, default: object = None) -> InfSection | None:  # type: ignore[override]
        return unpacked(self.packed).get(name)

    def __iter__(self) -> Iterator[str]:
        return iter(unpacked(self.packed))

    def __len__(self) -> int:
        return len(unpacked(self.packed))


@lru_cache(_UNPACKED)
def unpacked(packed: bytes) -> dict[str, _Section]:
    """Return the sections of a packed text."""
    last, sections = _last_packed[0]
    if last is packed:
        return sections
    found = _split(zlib.decompress(packed).decode("utf-8", "surrogatepass"))
    assert found is not None
    return found


_last_packed: list[tuple[bytes, dict[str, _Section]]] = [(b"", {})]
"""The text that was packed last, which is asked about at once."""


def faultless_sections(text: str) -> FaultlessSections | None:
    """Return the sections of a text with plain line ends; None where it may break a rule."""
    if len(text) > lexer.MOST_PIECES // 2 or _has_long_line(text) or _INDENTED.search(text):
        return None  # shorter ones reach no limit of the lexer
    sections = _split(text)
    if sections is None or len(sections) > lexer.MOST_SECTIONS:
        return None
    if _is_plain(text) or all(section.is_faultless() for section in sections.values()):
        return FaultlessSections(text, sections)
    return None


def _has_long_line(text: str) -> bool:
    at = 0
    while len(text) - at > _LONGEST_LINE:
        at = text.rfind("\n", at, at + _LONGEST_LINE + 1) + 1
        if not at:
            return True
    return False


def _split(text: str) -> dict[str, _Section] | None:
    """Return the sections, None where a heading or what is before the first is not plain."""
    sections: dict[str, _Section] = {}
    start = 0 if text.startswith("[") else text.find("\n[") + 1
    if not text.startswith("[") and (not start or not _BLANK_OR_COMMENT.fullmatch(text, 0, start)):
        return None
    number = text.count("\n", 0, start) + 1
    while True:
        heading = _HEADING.match(text, start)
        if heading is None:
            return None
        end = text.find("\n[", heading.end() - 1) + 1
        name = heading[1].strip()
        section = sections.get(name.lower())
        if section is None:
            section = sections[name.lower()] = _Section(name, number)
        lines = text[heading.end() : end or len(text)]
        section.add(lines, number + 1)
        if not end:
            return sections
        number += lines.count("\n") + 1
        start = end
