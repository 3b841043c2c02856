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
from mediashelf.catalogue.listing import MARK_DIRECTORY, ROOT, fold
from mediashelf.catalogue.rows import ImageRow, kept_text

TRIGRAM = 3
COUNTED_AT_MOST = 10_000
"""How far hits beyond the limit are counted; counting all of a common word is slow."""

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
    number: int
    parent: int
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
    paths = _Paths(db)
    for row in _matching(db, query, shelf_id):
        if query.folders and not _is_in(paths.folder(row), query.folders):
            continue
        count += 1
        if count <= limit:
            rows.append(row)
        elif count >= limit + COUNTED_AT_MOST:
            break
    found_in = images.by_ids(db, (row.image_id for row in rows))
    hits = [
        Hit(
            found_in[row.image_id],
            paths.path(row),
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


def _is_in(folder: str, wanted: tuple[str, ...]) -> bool:
    folded = fold(folder)
    return all(part in folded for part in wanted)


# CROSS JOIN keeps SQLite to this order: from the index to names, to entries, to images.
_FROM_NAMES = """
    SELECT entries.image_id, entries.number, entries.parent, names.name, entries.size, entries.marks
    FROM {source} CROSS JOIN entries ON entries.name_id = names.id
"""
_ONE_SHELF = " CROSS JOIN images ON images.id = entries.image_id AND images.shelf_id = ?"


def _matching(db: sqlite3.Connection, query: _Query, shelf_id: int | None) -> Iterator[_Row]:
    """Yield what fits but for the folder: equal names first, then beginnings, then the rest."""
    if len(query.parts) != 1 or query.patterns:
        yield from _select(db, query, shelf_id, "", [])
        return
    (word,) = query.parts
    beyond = word + "\U0010ffff"
    is_start = "names.folded >= ? AND names.folded < ?"
    yield from _plain(db, shelf_id, "names.folded = ?", [word])
    yield from _plain(db, shelf_id, f"{is_start} AND names.folded != ?", [word, beyond, word])
    yield from _select(
        db, query, shelf_id, "NOT (names.folded >= ? AND names.folded < ?)", [word, beyond]
    )


def _plain(
    db: sqlite3.Connection, shelf_id: int | None, where: str, parameters: list[Any]
) -> Iterator[_Row]:
    sql = _FROM_NAMES.format(source="names")
    if shelf_id is not None:
        sql += _ONE_SHELF
        parameters = [shelf_id, *parameters]
    for row in db.execute(f"{sql} WHERE {where}", parameters):
        yield _Row(*row)


def _select(
    db: sqlite3.Connection,
    query: _Query,
    shelf_id: int | None,
    where: str,
    parameters: list[Any],
) -> Iterator[_Row]:
    conditions = [where] if where else []
    values: list[Any] = [shelf_id] if shelf_id is not None else []
    source = "names"
    if query.trigrams:
        source = "name_index CROSS JOIN names ON names.id = name_index.rowid"
        conditions.insert(0, "name_index MATCH ?")
        values.append(query.trigrams)
    values += parameters
    for part in query.parts:
        conditions.append("instr(names.folded, ?) > 0")
        values.append(part)
    for pattern in query.patterns:
        conditions.append("names.folded GLOB ?")
        values.append(pattern.replace("[", "[[]"))
    sql = _FROM_NAMES.format(source=source)
    if shelf_id is not None:
        sql += _ONE_SHELF
    for row in db.execute(f"{sql} WHERE {' AND '.join(conditions) or '1'}", values):
        yield _Row(*row)


class _Paths:
    """Builds paths from the numbers of parents; folders that hits share are looked up once."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._folders: dict[tuple[int, int], str] = {}

    def path(self, row: _Row) -> str:
        return f"{self.folder(row)}/{kept_text(row.name)}"

    def folder(self, row: _Row) -> str:
        """Return the path of the folder that holds a row; empty for the root."""
        chain: list[tuple[int, str]] = []
        number = row.parent
        folder = ""
        while number != ROOT:
            known = self._folders.get((row.image_id, number))
            if known is not None:
                folder = known
                break
            parent, name = self._db.execute(
                "SELECT parent, name FROM entries JOIN names ON names.id = name_id "
                "WHERE image_id = ? AND number = ?",
                [row.image_id, number],
            ).fetchone()
            chain.append((number, kept_text(name)))
            number = parent
        for number, name in reversed(chain):
            folder = f"{folder}/{name}"
            self._folders[(row.image_id, number)] = folder
        return folder
