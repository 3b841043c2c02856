"""Is the file of a catalogue whole, and does each row belong to one that is there?

SQLite's own two checks look every entry up in every index and table that it is in, which
takes minutes for five million. Entries are nearly all that a catalogue holds, so of them
one pass over the table is compared with one over their index, joined with what they belong
to; the other tables are checked by SQLite. Where anything does not agree, SQLite's checks of
the whole say what it is.
"""

from __future__ import annotations

import json
import sqlite3
from typing import NamedTuple

from mediashelf.catalogue.steps.copying import integrity_problems, mapped

_ENTRIES = "entries"

# Of all fields that are in both; numbers that never were in a catalogue make it a fraction.
_SUM = (
    "sum((name_id * 2654435761 + folder_id * 40503 + image_id * 97 + number) & 4294967295), "
    "count(*)"
)
_BY_TABLE = (
    f"SELECT image_id, sum(twin IS NULL), count(twin), {_SUM} FROM entries NOT INDEXED "
    "GROUP BY image_id"
)
_BY_INDEX = (
    f"SELECT {_SUM} FROM entries INDEXED BY entries_by_name "
    "CROSS JOIN names ON names.id = name_id CROSS JOIN folders ON folders.id = folder_id"
)


class EntryCount(NamedTuple):
    """How many files and folders of an image can be searched, and how many more names of them."""

    files: int
    twins: int


class SeenEntries(NamedTuple):
    """The entries as one pass saw them: how many each image has, and whether their index has the
    same, with a name and a folder that are there.
    """

    counts: dict[int, EntryCount]
    agree: bool


def look_at_entries(db: sqlite3.Connection) -> SeenEntries:
    """Go through the entries once by their table, and once by their index."""
    with mapped(db):
        rows = db.execute(_BY_TABLE).fetchall()
        by_index = db.execute(_BY_INDEX).fetchone()
    by_table = (sum(row[3] for row in rows) or None, sum(row[4] for row in rows))
    return SeenEntries({row[0]: EntryCount(row[1], row[2]) for row in rows}, by_table == by_index)


def index_problems(db: sqlite3.Connection, entries: SeenEntries) -> list[str]:
    """Return what SQLite says of tables and indexes that do not agree, pages being whole."""
    with mapped(db):
        is_whole = all(
            row == ("ok",)
            for table in _other_tables(db)
            for row in db.execute(f"PRAGMA integrity_check('{table}')")
        )
    return [] if is_whole and entries.agree else integrity_problems(db)


def lost_rows(db: sqlite3.Connection, entries: SeenEntries) -> list[tuple[str, int | None, str]]:
    """Return table and number of each row that belongs to none, and the table where that was."""
    (count,) = db.execute(
        "SELECT count(*) FROM json_each(?) WHERE value IN (SELECT id FROM images)",
        [json.dumps([*entries.counts])],
    ).fetchone()
    is_whole = entries.agree and count == len(entries.counts)
    with mapped(db):
        lost = [
            row
            for table in [*_other_tables(db), *([] if is_whole else [_ENTRIES])]
            for row in db.execute(f"PRAGMA foreign_key_check('{table}')")
        ]
    return [(table, row_id, parent) for table, row_id, parent, _ in lost]


def _other_tables(db: sqlite3.Connection) -> list[str]:
    return [
        name
        for (name,) in db.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND rootpage > 0 AND name != ?",
            [_ENTRIES],
        )
    ]
