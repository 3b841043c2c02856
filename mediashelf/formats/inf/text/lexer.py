"""From the text of an INF to sections of entries, in one pass over the lines.

Rules are those of General Syntax Rules for INF Files: a comment runs from ``;``
to the end of the line unless it is inside ``"…"`` or ``%…%``; an unquoted backslash
at the end of a line joins the next one; ``""`` inside quotes is one quote; sections
of one name are merged; names do not depend on case. Blanks inside the brackets of a
section's name are a part of it: no page says so, Wine's SetupAPI (8.0, tried) does it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from mediashelf.formats.inf.text.lines import TOKEN, continued, plain_ends, split_entry, unquoted
from mediashelf.formats.inf.text.sections import InfEntry, InfSection

_MAX_SECTION_NAME = 255
"""Longest section name in characters (General Syntax Rules for INF Files)."""

_MAX_FIELD = 4095
"""Longest field in characters; the limit of 4096 counts the final NUL (same page)."""

MOST_SECTIONS = 50_000
MOST_PIECES = 1_000_000
"""Entries and their values, each counted; a text of 100,000 lines of five values has as many."""
MOST_FAULTS = 10_000
LONGEST_LINE = 1 << 18
"""Four limits of our own: what comes of a text is bounded, not only the text."""


class Problem(NamedTuple):
    """Something on a line that the rules do not allow: rule id, line, what was found."""

    rule: str
    line: int
    found: str


class Lexed(NamedTuple):
    """Sections by lower-case name in the order of first occurrence, and problems."""

    sections: dict[str, InfSection]
    problems: list[Problem]


def lex_inf(text: str) -> Lexed:
    """Return the sections of an INF's text; never raises, takes time linear in its length.

    At one of three of these limits the rest of the text is not read, which is a problem then.
    """
    lexer = _Lexer()
    lexer.read(plain_ends(text).split("\n"), 1)
    if lexer.parts:
        lexer.report("continuation-at-end", lexer.first_line, lexer.parts[-1])
        lexer.finish()
    return Lexed(
        {
            key: InfSection(name, line, tuple(entries))
            for key, (name, line, entries) in lexer.sections.items()
        },
        lexer.problems,
    )


def lex_lines(text: str, line: int) -> tuple[list[InfEntry], bool]:
    """Return the entries of lines of one section, and whether they break no rule.

    ``text`` has plain line ends; ``line`` is the number of its first line.
    """
    lexer = _Lexer()
    entries = lexer.entries = []
    lexer.read(text.removesuffix("\n").split("\n"), line)
    return entries, not lexer.problems and not lexer.parts


class _Lexer:
    """The state while the lines pass: the open section and an unfinished entry."""

    def __init__(self) -> None:
        self.sections: dict[str, tuple[str, int, list[InfEntry]]] = {}
        self.problems: list[Problem] = []
        self.entries: list[InfEntry] | None = None
        self.parts: list[str] = []
        self.first_line = 0
        self.pieces = 0

    def read(self, lines: Iterable[str], first: int) -> None:
        """Take the lines, of which ``first`` is the first one's number."""
        for number, raw in enumerate(lines, first):
            if limit := self._limit():
                self.problems.append(Problem("text-not-read-on", number, limit))
                self.parts = []
                break
            line = raw.strip()
            if not line:
                if self.parts:
                    self.finish()
            elif line[0] == "[":
                if self.parts:
                    self.report("continuation-before-section", self.first_line, line)
                    self.finish()
                self._open(line, number)
            elif line[0] != ";":
                self._take(line, number)

    def _limit(self) -> str:
        """Return the limit that is reached, as words, or an empty text."""
        if self.pieces >= MOST_PIECES:
            return f"{MOST_PIECES:,} entries and values"
        if len(self.sections) > MOST_SECTIONS:
            return f"{MOST_SECTIONS:,} sections"
        if len(self.problems) >= MOST_FAULTS:
            return f"{MOST_FAULTS:,} faulty lines"
        return ""

    def report(self, rule: str, line: int, found: str) -> None:
        self.problems.append(Problem(rule, line, found[:80]))

    def _open(self, line: str, number: int) -> None:
        name, bracket, rest = line[1:].partition("]")
        rest = rest.strip()
        if not bracket:
            self.report("section-not-closed", number, line)
            name = name.partition(";")[0].strip()
        elif rest and rest[0] != ";":
            self.report("text-after-section", number, rest)
        if name != name.strip():
            self.report("section-name-blanks", number, line)
        if len(name) > _MAX_SECTION_NAME:
            self.report("section-name-long", number, name)
        _, _, self.entries = self.sections.setdefault(name.lower(), (name, number, []))

    def _take(self, line: str, number: int) -> None:
        """Take one physical line that is neither empty, a whole comment nor a section's name."""
        if self.entries is None:
            if not any(problem.rule == "text-before-section" for problem in self.problems):
                self.report("text-before-section", number, line)
            return
        if '"' in line:
            content, continues = self._quoted(line, number)
        else:
            content, continues = unquoted(line)
        if continues or self.parts:
            if not self.parts:
                self.first_line = number
            elif "=" in content and '"' not in content and "=" in self.parts[0]:
                self.report("continuation-joins-entry", number, content)
            self.parts.append(content)
            if not continues:
                self.finish()
        elif content:
            self._add(content, number)

    def _quoted(self, line: str, number: int) -> tuple[str, bool]:
        """Return a line that has quotes without its comment, and whether it continues."""
        if ";" not in line and line[-1] == '"' and line.count('"') % 2 == 0:
            return line, False
        end = 0
        for match in TOKEN.finditer(line):
            token = match[0]
            if token == ";":
                break
            end = match.end()
            if token[0] == '"' and token.count('"') % 2:
                self.report("quote-not-closed", number, token)
                return line + '"', False
        return continued(line[:end].rstrip())

    def finish(self) -> None:
        content = "".join(self.parts).strip()
        self.parts = []
        if content:
            self._add(content, self.first_line)

    def _add(self, content: str, number: int) -> None:
        if len(content) > LONGEST_LINE:
            self.report("line-cut", number, content)
            content = content[:LONGEST_LINE]
        if '"' not in content:
            key, equals, rest = content.partition("=")
            if not equals or "," in key:
                key, rest = "", content
            values = [value.strip() for value in rest.split(",")] if "," in rest else [rest.strip()]
            key = key.rstrip()
        else:
            key, values = split_entry(content)
        if len(content) > _MAX_FIELD and max(map(len, values)) > _MAX_FIELD:
            self.report("field-long", number, content)
        assert self.entries is not None
        self.pieces += 1 + len(values)
        self.entries.append(InfEntry(key, tuple(values), number))
