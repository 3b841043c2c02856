"""What the text of an INF is made of: sections of entries."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from msgspec import Struct

_Answer = TypeVar("_Answer")
_NOTHING: Any = object()


def once(answers: dict[object, Any], question: object, answer: Callable[[], _Answer]) -> _Answer:
    """Return the answer to a question, kept in ``answers`` for the next one who asks."""
    known: _Answer = answers.get(question, _NOTHING)
    if known is _NOTHING:
        known = answers[question] = answer()
    return known


class InfEntry(Struct, frozen=True):
    """One logical line: ``key = value, value`` or, with an empty key, ``value, value``.

    Quotes are removed; ``%strings%`` are not replaced yet. ``line`` is the number
    of its first physical line, from 1.
    """

    key: str
    values: tuple[str, ...]
    line: int

    def value(self, index: int) -> str:
        """Return the value at ``index`` from 0, or an empty text where there is none."""
        return self.values[index] if index < len(self.values) else ""


class InfSection:
    """All entries of one section, over every place where its name occurs.

    ``name`` is written as at its first place, ``line`` is that place. ``text`` has its lines
    as they are, where they are still at hand, and else nothing.
    """

    __slots__ = ("_entries", "_known", "line", "name", "text")

    def __init__(self, name: str, line: int, entries: tuple[InfEntry, ...] = ()) -> None:
        self.name = name
        self.line = line
        self._entries: tuple[InfEntry, ...] | None = entries
        self._known: dict[object, Any] = {}
        self.text = ""

    def once(self, question: object, answer: Callable[[], _Answer]) -> _Answer:
        """Return the answer to a question, kept while the section is at hand."""
        return once(self._known, question, answer)

    def known(self, question: object) -> Any:
        """Return the answer to a question that was asked before, else None."""
        return self._known.get(question)

    @property
    def entries(self) -> tuple[InfEntry, ...]:
        """The entries in order."""
        return self._entries or ()

    @property
    def first_line(self) -> int:
        """The number of its first line that is not empty; 0 where it is not known."""
        return 0

    @property
    def has_whole_lines(self) -> bool:
        """Whether surely no line goes on in the next one."""
        return False

    def entries_of(self, rows: Sequence[int]) -> tuple[InfEntry, ...]:
        """Return the entries of these lines, blank lines and comments not counted from 0."""
        return tuple(self.entries[row] for row in rows)

    def find(self, key: str) -> InfEntry | None:
        """Return the first entry of this key (any case), or None."""
        found = self.all(key)
        return found[0] if found else None

    def all(self, key: str) -> Sequence[InfEntry]:
        """Return every entry of this key, any case."""
        wanted = key.lower()
        return [entry for entry in self.entries if entry.key.lower() == wanted]
