"""The names of entries: each spelling kept once, and an index of their trigrams.

In the index two end marks follow each name. So every letter of a name begins a
trigram, and words of one or two letters are found by the trigrams that begin with
them, and the end of a name like any other letter.

New names are indexed all at once at the end of a transaction: FTS5 writes out what it has
gathered with every statement that changes a table by a trigger, or several rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Sequence

from mediashelf.catalogue.records.reading import notes_of
from mediashelf.catalogue.rows import keep_text
from mediashelf.text import fold

END_MARK = "\x01"
"""No valid name on a disc has it, and a name that has it all the same is compared anyway."""

MOST_TERMS = 300
MOST_NAMES = 20_000
"""A word with more trigrams, or names, is so common that names with it are soon met."""

_AT_ONCE = 5000
"""Names that are asked for together."""

_INDEX_FROM = (
    "INSERT INTO name_index (rowid, folded) "
    "SELECT id, folded || char(1) || char(1) FROM names WHERE id > ?"
)


def add_end_marks(db: sqlite3.Connection) -> None:
    """Index every name anew, with its end marks; a step of the schema."""
    db.execute("DROP TRIGGER name_added")
    db.execute("DROP TRIGGER name_removed")
    db.execute("INSERT INTO name_index (name_index) VALUES ('delete-all')")
    db.execute(_INDEX_FROM, [-(1 << 63)])
    db.execute(
        "CREATE TRIGGER name_removed AFTER DELETE ON names BEGIN "
        "INSERT INTO name_index (name_index, rowid, folded) "
        "VALUES ('delete', old.id, old.folded || char(1) || char(1)); END"
    )
    db.execute("CREATE VIRTUAL TABLE name_terms USING fts5vocab (name_index, 'row')")


def record_names(db: sqlite3.Connection, names: Collection[str]) -> dict[str, int]:
    """Keep names that are not known yet, and return the id of each.

    They are indexed when the transaction ends.
    """
    notes = notes_of(db)
    last = notes.last_name if notes is not None else None
    if last is None:
        last = int(db.execute("SELECT max(id) FROM names").fetchone()[0] or 0)
    number = last
    ids: dict[str, int] = {}
    new: list[tuple[int, str, bytes]] = []
    # In the order of the table's own index, which is then written from one end to the other.
    wanted = sorted(_folded(list(names)))
    for start in range(0, len(wanted), _AT_ONCE):
        part = wanted[start : start + _AT_ONCE]
        known = _known_names(db, part)
        for folded, data, name in part:
            name_id = known.get(data)
            if name_id is None:
                number += 1
                name_id = number
                new.append((number, folded, data))
            ids[name] = name_id
    if new:
        db.executemany("INSERT INTO names (id, folded, name) VALUES (?, ?, ?)", new)
        if notes is None:
            db.execute(_INDEX_FROM, [last])
        elif notes.indexed_to is None:
            notes.indexed_to = last
    if notes is not None:
        notes.last_name = number
    return ids


def index_new_names(db: sqlite3.Connection) -> None:
    """Index what this transaction has written."""
    notes = notes_of(db)
    if notes is not None and notes.indexed_to is not None:
        db.execute(_INDEX_FROM, [notes.indexed_to])
        notes.indexed_to = None


def _folded(names: list[str]) -> Iterable[tuple[str, bytes, str]]:
    """Yield each name as it is compared, as it is kept, and as it is."""
    text = "\n".join(names)
    if text.isascii() and "\0" not in text and text.count("\n") == len(names) - 1:
        # All at once: as most are, and in a tenth of the time.
        return zip(text.lower().split("\n"), text.encode().split(b"\n"), names, strict=True)
    return ((fold(name), keep_text(name), name) for name in names)


def _known_names(
    db: sqlite3.Connection, wanted: Sequence[tuple[str, bytes, str]]
) -> dict[bytes, int]:
    """Return the ids of spellings that are kept already; others of the same letters may be too."""
    import json  # needed only where images are recorded

    folded = json.dumps([folded for folded, _, _ in wanted])
    found = db.execute(
        "SELECT name, names.id FROM json_each(?) AS wanted JOIN names ON folded = wanted.value",
        [folded],
    )
    return dict(found.fetchall())


def forget_unused_names(db: sqlite3.Connection, name_ids: Iterable[tuple[int]]) -> None:
    """Remove those of the names that no entry uses any more."""
    index_new_names(db)  # what is removed from the index must be there
    db.executemany(
        "DELETE FROM names WHERE id = ? "
        "AND NOT EXISTS (SELECT 1 FROM entries WHERE name_id = names.id)",
        name_ids,
    )


def terms_with(db: sqlite3.Connection, word: str) -> list[str] | None:
    """Return the trigrams that begin with one or two letters, or None where they are common.

    Where there are none, no name has these letters.
    """
    terms: list[str] = []
    names = 0
    for term, count in db.execute(
        "SELECT term, doc FROM name_terms WHERE term >= ? AND term <= ?",
        [word, f"{word}\U0010ffff\U0010ffff"],
    ):
        terms.append(term)
        names += count
        if len(terms) > MOST_TERMS or names > MOST_NAMES:
            return None
    return terms
