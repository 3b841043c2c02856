"""Finding entries inside all images by name.

Every word of the text must occur in an entry's name, letter case aside. A word
with ``*`` or ``?`` is a pattern for the whole name. What stands before the last
``/`` of a word must occur in the path of the entry's folder: ``video/lkvx``.

Three letters and more are looked up in a trigram index, and shorter words alone by the
trigrams that begin with them. Where these are too many, all names are searched: the
first that fit are soon found.

A file that two trees of a disc name differently is one hit, under the name that is
cut less.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any, NamedTuple

from msgspec import Struct

from mediashelf.catalogue import images
from mediashelf.catalogue.listing import MARK_DIRECTORY
from mediashelf.catalogue.records.name_index import END_MARK, terms_with
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, kept_text
from mediashelf.text import fold

TRIGRAM = 3
COUNTED_AT_MOST = 500
"""How far hits beyond the limit are counted; counting all of a common word takes time."""

_LONGEST_TEXT = 1000  # characters; longer than any name, and it bounds the query
_MOST_INDEXED = 20  # pieces that the index is asked for; all are compared with the names


class SearchHit(NamedTuple):
    """One entry: its image, its path inside, its size in bytes.

    ``other_path`` is the path in another tree of the disc that fits as well, or is
    what fits instead; empty where there is none.
    """

    image: ImageRow
    path: str
    size: int
    is_directory: bool
    other_path: str = ""


class SearchAnswer(Struct, frozen=True):
    """Hits up to the limit, the best first, and how many more there are.

    ``more`` is a lower bound when ``more_is_exact`` is False.
    """

    hits: list[SearchHit]
    more: int = 0
    more_is_exact: bool = True


class _Row(NamedTuple):
    image_id: int
    number: int
    folder: bytes
    name: bytes
    size: int
    marks: int
    twin: int | None

    @property
    def path(self) -> str:
        return f"{kept_text(self.folder)}/{kept_text(self.name)}"

    @property
    def key(self) -> tuple[int, int]:
        """Which file this is: equal for all names of one file."""
        return self.image_id, self.number if self.twin is None else self.twin


class _Query(Struct, frozen=True):
    """A text taken apart: parts and patterns of the name, parts of the folder; all folded."""

    parts: tuple[str, ...]
    patterns: tuple[str, ...]
    folders: tuple[str, ...]

    @property
    def pieces(self) -> list[str]:
        """What must be in a name as it stands, the longest first; an end mark is at its end."""
        pieces = list(self.parts)
        for pattern in self.patterns:
            pieces += f"{pattern.replace('?', '*')}{END_MARK}".split("*")
        return sorted((piece for piece in pieces if piece != END_MARK), key=len, reverse=True)


@reads_catalogue
def find(
    db: sqlite3.Connection, text: str, *, limit: int = 50, shelf_id: int | None = None
) -> SearchAnswer:
    """Return the entries whose names fit ``text``; nothing in it is ever a syntax error.

    Names that are, or begin with, a single word of text come first.
    """
    query = parse(text)
    if query is None:
        return SearchAnswer([])
    files: dict[tuple[int, int], list[_Row]] = {}  # every name that fits, by file
    for row in _matching(db, query, shelf_id):
        files.setdefault(row.key, []).append(row)
        if len(files) >= limit + COUNTED_AT_MOST:
            break
    shown = list(files.values())[:limit]
    found_in = images.by_ids(db, (rows[0].image_id for rows in shown))
    hits = [_hit(db, found_in[rows[0].image_id], rows) for rows in shown]
    more = len(files) - len(hits)
    return SearchAnswer(hits, more, more_is_exact=more < COUNTED_AT_MOST)


def _hit(db: sqlite3.Connection, image: ImageRow, rows: list[_Row]) -> SearchHit:
    """Return one hit for the rows of one file."""
    cut = next((row for row in rows if row.twin is not None), None)
    full = next((row for row in rows if row.twin is None), None)
    full = full or _row_of(db, image.id, rows[0].twin) or rows[0]
    other = "" if cut is None or cut is full else cut.path
    return SearchHit(image, full.path, full.size, bool(full.marks & MARK_DIRECTORY), other)


def _row_of(db: sqlite3.Connection, image_id: int, number: int | None) -> _Row | None:
    where = "entries.image_id = ? AND entries.number = ?"
    sql = _SELECT.format(source=_BY_NUMBER, where=where)
    row = db.execute(sql, [image_id, number]).fetchone()
    return None if row is None else _Row(*row)


def parse(text: str) -> _Query | None:
    """Take a text apart, or return None when there is nothing in it to look for."""
    parts, patterns, folders = list[str](), list[str](), list[str]()
    for word in fold(text[:_LONGEST_TEXT]).split():
        folder, _, name = word.replace("\\", "/").strip("/").rpartition("/")
        if folder:
            folders.append(folder)
        if "*" in name or "?" in name:
            patterns.append(name)
        elif name:
            parts.append(name)
    query = _Query(tuple(parts), tuple(patterns), tuple(folders))
    return query if parts or patterns else None


# CROSS JOIN keeps SQLite to this order: from the index to names, then to entries.
_SELECT = """
    SELECT entries.image_id, entries.number, folders.path, names.name, entries.size,
        entries.marks, entries.twin
    FROM {source} CROSS JOIN folders ON folders.id = entries.folder_id
    WHERE {where}
"""
_BY_NAME = "names CROSS JOIN entries ON entries.name_id = names.id"
_BY_INDEX = (
    "name_index CROSS JOIN names ON names.id = name_index.rowid "
    "CROSS JOIN entries ON entries.name_id = names.id"
)
# The index of entries knows their folders, so that no name is asked of those elsewhere.
_BY_INDEX_AND_FOLDER = (
    "name_index CROSS JOIN entries ON entries.name_id = name_index.rowid "
    "CROSS JOIN names ON names.id = entries.name_id"
)
_BY_NUMBER = "entries CROSS JOIN names ON names.id = entries.name_id"


class _Conditions:
    """Parts of a WHERE clause, with the values of their question marks in the same order."""

    def __init__(self) -> None:
        self.sql, self.values = ["1"], list[Any]()
        self.by_index = False

    def add(self, sql: str, *values: Any) -> None:
        self.sql.append(sql)
        self.values += values


def _matching(db: sqlite3.Connection, query: _Query, shelf_id: int | None) -> Iterator[_Row]:
    """Yield what fits: equal names first, then names that begin so, then the rest."""
    for folder in query.folders:
        if not db.execute("SELECT 1 FROM folders WHERE instr(folded, ?)", [folder]).fetchone():
            return
    if len(query.parts) != 1 or query.patterns:
        yield from _ask(db, query, shelf_id, _by_content(db, query))
        return
    (word,) = query.parts
    span = (word, f"{word}\U0010ffff")
    equal, begins, rest = _Conditions(), _Conditions(), _by_content(db, query)
    equal.add("names.folded = ?", word)
    begins.add("names.folded > ? AND names.folded < ?", *span)
    rest.add("NOT (names.folded >= ? AND names.folded < ?)", *span)
    for conditions in (equal, begins, rest):
        yield from _ask(db, query, shelf_id, conditions)


def _by_content(db: sqlite3.Connection, query: _Query) -> _Conditions:
    conditions = _Conditions()
    asked = _asked_of_index(db, query)
    if asked == _NO_NAME:
        conditions.add("0")
    elif asked:
        conditions.add("name_index MATCH ?", asked)
        conditions.by_index = True
    for part in query.parts:
        conditions.add("instr(names.folded, ?) > 0", part)
    for pattern in query.patterns:
        conditions.add("names.folded GLOB ?", pattern.replace("[", "[[]"))
    return conditions


_NO_NAME = "\0"  # no name can fit; the index is not even asked


def _asked_of_index(db: sqlite3.Connection, query: _Query) -> str:
    """Return what the index is asked, or an empty text when it can't help."""
    pieces = query.pieces
    long_enough = [piece for piece in pieces if len(piece) >= TRIGRAM][:_MOST_INDEXED]
    if long_enough or not pieces:
        return " AND ".join(map(_quoted, long_enough))
    terms = terms_with(db, pieces[0])
    if terms is None:
        return ""
    return " OR ".join(map(_quoted, terms)) or _NO_NAME


def _quoted(piece: str) -> str:
    return '"' + piece.replace('"', '""') + '"'


def _ask(
    db: sqlite3.Connection, query: _Query, shelf_id: int | None, conditions: _Conditions
) -> Iterator[_Row]:
    for folder in query.folders:
        # Looked up once: there are far fewer folders than entries.
        conditions.add(
            "entries.folder_id IN (SELECT id FROM folders WHERE instr(folded, ?))", folder
        )
    if shelf_id is not None:
        conditions.add("entries.image_id IN (SELECT id FROM images WHERE shelf_id = ?)", shelf_id)
    by_index = _BY_INDEX_AND_FOLDER if query.folders else _BY_INDEX
    source = by_index if conditions.by_index else _BY_NAME
    sql = _SELECT.format(source=source, where=" AND ".join(conditions.sql))
    for row in db.execute(sql, conditions.values):
        yield _Row(*row)
