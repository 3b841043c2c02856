"""The catalogue's tables, and how an older file becomes a newer one.

What comes from outside is kept without loss, as bytes: paths on disk as the
system takes them (``os.fsencode``), names from discs in UTF-8 where lone surrogates
pass. Text columns are for searching and for our own words. Dates are UTC in ISO 8601.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from mediashelf.catalogue.records.name_index import add_end_marks, index_new_names
from mediashelf.catalogue.records.reading import CheckedConnection, TransactionNotes
from mediashelf.catalogue.steps.damage_inside import add_damage_inside
from mediashelf.catalogue.steps.dropped import add_acknowledged_before
from mediashelf.catalogue.steps.history import add_history
from mediashelf.catalogue.steps.inside import add_bytes_inside
from mediashelf.catalogue.steps.keeping import add_keeping
from mediashelf.catalogue.steps.packages import add_packages
from mediashelf.catalogue.steps.records import add_records
from mediashelf.errors import CatalogueError, CatalogueTooNewError

APPLICATION_ID = 0x6D73_6866  # "mshf"; tells our files from other SQLite databases

OLDEST_SQLITE = (3, 35, 0)
"""The first with RETURNING; the trigram tokenizer came one before (SQLite release notes)."""

FIRST_TABLES = """
CREATE TABLE shelves (
    id          INTEGER PRIMARY KEY,
    name        TEXT NOT NULL UNIQUE COLLATE NOCASE,
    root        BLOB NOT NULL UNIQUE,
    added_at    TEXT NOT NULL,
    scanned_at  TEXT
);

-- presence: where the last look found the file. verdict: what is known of its bytes, and
-- judged_by whether a scan or an audit said so; it outlives an unplugged disk. Presence
-- and verdict together make the state that people see.
CREATE TABLE images (
    id            INTEGER PRIMARY KEY,
    shelf_id      INTEGER NOT NULL REFERENCES shelves ON DELETE CASCADE,
    path          BLOB NOT NULL,
    size          INTEGER NOT NULL,
    mtime_ns      INTEGER NOT NULL,
    file_system   TEXT NOT NULL,
    presence      TEXT NOT NULL CHECK (presence IN ('here', 'missing', 'away')),
    verdict       TEXT NOT NULL,
    judged_by     TEXT NOT NULL DEFAULT 'scan' CHECK (judged_by IN ('scan', 'audit')),
    problem       TEXT NOT NULL DEFAULT '',
    is_sheet      INTEGER NOT NULL DEFAULT 0,
    looks_raw     INTEGER NOT NULL DEFAULT 0,
    entry_count   INTEGER NOT NULL DEFAULT 0,
    scanned_at    TEXT NOT NULL,
    audited_at    TEXT,
    UNIQUE (shelf_id, path)
);

-- A record that was replaced stays, with the day on which that happened.
CREATE TABLE fixity (
    id            INTEGER PRIMARY KEY,
    image_id      INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
    algorithm     TEXT NOT NULL,
    digest        TEXT NOT NULL,
    size          INTEGER NOT NULL,
    recorded_at   TEXT NOT NULL,
    confirmed_at  TEXT NOT NULL,
    replaced_at   TEXT
);
CREATE UNIQUE INDEX fixity_in_force ON fixity (image_id, algorithm) WHERE replaced_at IS NULL;
CREATE INDEX fixity_of_image ON fixity (image_id);
CREATE INDEX fixity_by_digest ON fixity (digest);

CREATE TABLE block_digests (
    image_id    INTEGER PRIMARY KEY REFERENCES images ON DELETE CASCADE,
    block_size  INTEGER NOT NULL,
    digests     BLOB NOT NULL
);

CREATE TABLE disc_facts (
    image_id  INTEGER PRIMARY KEY REFERENCES images ON DELETE CASCADE,
    packed    BLOB NOT NULL
);

CREATE TABLE volumes (
    image_id     INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
    number       INTEGER NOT NULL,
    kind         TEXT NOT NULL,
    label        BLOB NOT NULL,
    PRIMARY KEY (image_id, number)
) WITHOUT ROWID;

-- origin: scan for what the image had when its digest was recorded, audit for what the
-- last audit found.
CREATE TABLE findings (
    image_id  INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
    origin    TEXT NOT NULL CHECK (origin IN ('scan', 'audit')),
    number    INTEGER NOT NULL,
    severity  INTEGER NOT NULL,
    rule      TEXT NOT NULL,
    detail    TEXT NOT NULL,
    PRIMARY KEY (image_id, origin, number)
) WITHOUT ROWID;

CREATE TABLE target_verdicts (
    image_id     INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
    target       TEXT NOT NULL,
    fingerprint  TEXT NOT NULL,
    severity     INTEGER NOT NULL,
    PRIMARY KEY (image_id, target)
) WITHOUT ROWID;

-- Discs share names, so each spelling is kept and indexed once.
CREATE TABLE names (
    id      INTEGER PRIMARY KEY,
    folded  TEXT NOT NULL,
    name    BLOB NOT NULL,
    UNIQUE (folded, name)
);
CREATE VIRTUAL TABLE name_index USING fts5 (
    folded, content = '', columnsize = 0, tokenize = 'trigram case_sensitive 1'
);
CREATE TRIGGER name_added AFTER INSERT ON names BEGIN
    INSERT INTO name_index (rowid, folded) VALUES (new.id, new.folded);
END;
CREATE TRIGGER name_removed AFTER DELETE ON names BEGIN
    INSERT INTO name_index (name_index, rowid, folded) VALUES ('delete', old.id, old.folded);
END;

CREATE TABLE folders (
    id      INTEGER PRIMARY KEY,
    folded  TEXT NOT NULL,
    path    BLOB NOT NULL UNIQUE
);

-- marks: see listing.py.
CREATE TABLE entries (
    image_id  INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
    number    INTEGER NOT NULL,
    folder_id INTEGER NOT NULL REFERENCES folders,
    name_id   INTEGER NOT NULL REFERENCES names,
    size      INTEGER NOT NULL,
    marks     INTEGER NOT NULL,
    PRIMARY KEY (image_id, number)
) WITHOUT ROWID;
CREATE INDEX entries_by_name ON entries (name_id, folder_id);
"""

Step = Callable[[sqlite3.Connection], None]


def create_first_tables(db: sqlite3.Connection) -> None:
    """Make everything that version 1 has."""
    for statement in split_statements(FIRST_TABLES):
        db.execute(statement)


def add_twins(db: sqlite3.Connection) -> None:
    """Let an entry point to the number of the same file under a name that is cut less."""
    db.execute("ALTER TABLE entries ADD COLUMN twin INTEGER")


def add_measured(db: sqlite3.Connection) -> None:
    """Let a note at the bench keep values: a JSON list of pairs, name and value, as written."""
    db.execute("ALTER TABLE session_notes ADD COLUMN measured TEXT NOT NULL DEFAULT '[]'")


STEPS: tuple[Step, ...] = (
    create_first_tables,
    add_twins,
    add_history,
    add_measured,
    add_records,
    add_keeping,
    add_end_marks,
    add_packages,
    add_bytes_inside,
    add_acknowledged_before,
    add_damage_inside,
)
"""What turns version N into N + 1. Steps are only ever added at the end, never changed."""


def split_statements(script: str) -> Iterator[str]:
    """Yield the statements of a script; ``executescript`` would end the transaction around it."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """Keep all that the block writes, or nothing of it. The write lock is taken at once."""
    db.execute("BEGIN IMMEDIATE")
    if isinstance(db, CheckedConnection):
        db.notes = TransactionNotes()
    try:
        yield
        index_new_names(db)
    except BaseException:
        if db.in_transaction:  # SQLite itself rolls back after some errors, a full disk for one
            db.execute("ROLLBACK")
        raise
    finally:
        if isinstance(db, CheckedConnection):
            db.notes = None
    db.execute("COMMIT")


def schema_version(db: sqlite3.Connection) -> int:
    """Return the number of steps that were done to this file."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def refuse_foreign(db: sqlite3.Connection, place: str, steps: Sequence[Step] = STEPS) -> None:
    """Raise when the file is another program's database, or newer than this program."""
    found = int(db.execute("PRAGMA application_id").fetchone()[0])
    if found != APPLICATION_ID and db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
        raise CatalogueError(
            f"{place}: is another program's SQLite database (application id {found:#x}, expected "
            f"{APPLICATION_ID:#x}); choose another file with --catalogue"
        )
    version = schema_version(db)
    if version > len(steps):
        raise CatalogueTooNewError(
            f"{place}: was written by a newer version of mediashelf (catalogue version {version}, "
            f"this program knows up to {len(steps)}); update mediashelf or choose another file "
            "with --catalogue"
        )


def migrate(db: sqlite3.Connection, steps: Sequence[Step] = STEPS) -> None:
    """Bring the file up to date, each step in a transaction of its own.

    A step that fails leaves the file at the version before it.
    """
    while schema_version(db) < len(steps):
        with transaction(db):
            version = schema_version(db)  # again, under the lock: another run may have been faster
            if version >= len(steps):
                return
            steps[version](db)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {version + 1}")
