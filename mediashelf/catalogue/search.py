"""Finding entries inside all images by name.

Every word of the text must occur in an entry's name, letter case aside. A word
with ``*`` or ``?`` is a pattern for the whole name. What stands before the last
``/`` of a word must occur in the path of the entry's folder: ``video/lkvx``.

Three letters and more are looked up in a trigram index; shorter words alone are
searched for in all names, which takes longer but a fraction of a second.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from mediashelf.catalogue import images
from mediashelf.catalogue.listing import MARK_DIRECTORY, fold
from mediashelf.catalogue.rows import ImageRow, kept_text

TRIGRAM = 3
COUNTED_AT_MOST = 1_000
"""How far hits beyond the limit are counted; counting all of a common word takes time."""

_LONGEST_TEXT = 1000  # characters; longer than any name, and it bounds the query
_MOST_INDEXED = 20  # pieces that the index is asked for; all are compared with the names


class Hit(NamedTuple):
    """One entry: its image, its path inside, its size in bytes."""

    image: ImageRow
    path: str
    size: int
    is_directory: bool


@dataclass(frozen=True, slots=True)
class Found:
    """Hits up to the limit, the best first, and how many more there are.

    ``more`` is a lower bound when ``more_is_exact`` is False.
    """

    hits: list[Hit]
    more: int = 0
    more_is_exact: bool = True


class _Row(NamedTuple):
    image_id: int
    folder: bytes
    name: bytes
    size: int
    marks: int


@dataclass(frozen=True, slots=True)
class _Query:
    """A text taken apart: parts and patterns of the name, parts of the folder; all folded."""

    parts: tuple[str, ...]
    patterns: tuple[str, ...]
    folders: tuple[str, ...]

    @property
    def trigrams(self) -> str:
        """What the index is asked, or an empty text when it can't help."""
        pieces = list(self.parts)
        for pattern in self.patterns:
            pieces += pattern.replace("?", "*").split("*")
        long_enough = [piece for piece in pieces if len(piece) >= TRIGRAM][:_MOST_INDEXED]
        return " AND ".join('"' + piece.replace('"', '""') + '"' for piece in long_enough)


def find(
    db: sqlite3.Connection, text: str, *, limit: int = 50, shelf_id: int | None = None
) -> Found:
    """Return the entries whose names fit ``text``; nothing in it is ever a syntax error.

    Names that are, or begin with, a single word of text come first.
    """
    query = parse(text)
    if query is None:
        return Found([])
    rows: list[_Row] = []
    count = 0
    for row in _matching(db, query, shelf_id):
        count += 1
        if count <= limit:
            rows.append(row)
        elif count >= limit + COUNTED_AT_MOST:
            break
    found_in = images.by_ids(db, (row.image_id for row in rows))
    hits = [
        Hit(
            found_in[row.image_id],
            f"{kept_text(row.folder)}/{kept_text(row.name)}",
            row.size,
            bool(row.marks & MARK_DIRECTORY),
        )
        for row in rows
    ]
    more = count - len(hits)
    return Found(hits, more, more_is_exact=more < COUNTED_AT_MOST)


def parse(text: str) -> _Query | None:
    """Take a text apart, or return None when there is nothing in it to look for."""
    parts: list[str] = []
    patterns: list[str] = []
    folders: list[str] = []
    for word in fold(text[:_LONGEST_TEXT]).split():
        folder, _, name = word.replace("\\", "/").strip("/").rpartition("/")
        if folder:
            folders.append(folder)
        if "*" in name or "?" in name:
            patterns.append(name)
        elif name:
            parts.append(name)
    if not parts and not patterns:
        return None
    return _Query(tuple(parts), tuple(patterns), tuple(folders))


# CROSS JOIN keeps SQLite to this order: from the index to names, then to entries.
_SELECT = """
    SELECT entries.image_id, folders.path, names.name, entries.size, entries.marks
    FROM {source} CROSS JOIN entries ON entries.name_id = names.id
    CROSS JOIN folders ON folders.id = entries.folder_id
    WHERE {where}
"""
_INDEXED = "name_index CROSS JOIN names ON names.id = name_index.rowid"


class _Conditions:
    """Parts of a WHERE clause, with the values of their question marks in the same order."""

    def __init__(self) -> None:
        self.sql: list[str] = ["1"]
        self.values: list[Any] = []

    def add(self, sql: str, *values: Any) -> None:
        self.sql.append(sql)
        self.values += values


def _matching(db: sqlite3.Connection, query: _Query, shelf_id: int | None) -> Iterator[_Row]:
    """Yield what fits: equal names first, then names that begin so, then the rest."""
    if len(query.parts) != 1 or query.patterns:
        yield from _ask(db, query, shelf_id, _by_content(query))
        return
    (word,) = query.parts
    span = (word, f"{word}\U0010ffff")
    equal, begins, rest = _Conditions(), _Conditions(), _by_content(query)
    equal.add("names.folded = ?", word)
    begins.add("names.folded > ? AND names.folded < ?", *span)
    rest.add("NOT (names.folded >= ? AND names.folded < ?)", *span)
    yield from _ask(db, query, shelf_id, equal, by_index=False)
    yield from _ask(db, query, shelf_id, begins, by_index=False)
    yield from _ask(db, query, shelf_id, rest)


def _by_content(query: _Query) -> _Conditions:
    conditions = _Conditions()
    if query.trigrams:
        conditions.add("name_index MATCH ?", query.trigrams)
    for part in query.parts:
        conditions.add("instr(names.folded, ?) > 0", part)
    for pattern in query.patterns:
        conditions.add("names.folded GLOB ?", pattern.replace("[", "[[]"))
    return conditions


def _ask(
    db: sqlite3.Connection,
    query: _Query,
    shelf_id: int | None,
    conditions: _Conditions,
    *,
    by_index: bool = True,
) -> Iterator[_Row]:
    for folder in query.folders:
        # Looked up once: there are far fewer folders than entries.
        conditions.add(
            "entries.folder_id IN (SELECT id FROM folders WHERE instr(folded, ?))", folder
        )
    if shelf_id is not None:
        conditions.add("entries.image_id IN (SELECT id FROM images WHERE shelf_id = ?)", shelf_id)
    source = _INDEXED if by_index and query.trigrams else "names"
    sql = _SELECT.format(source=source, where=" AND ".join(conditions.sql))
    for row in db.execute(sql, conditions.values):
        yield _Row(*row)
