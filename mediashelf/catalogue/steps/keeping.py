"""A step of the catalogue: the words of the keeper, of the disc itself, and of published lists."""

from __future__ import annotations

import sqlite3

TABLES = (
    # The keeper's words belong to bytes, not to a path: they are there again when a file was
    # renamed, moved, copied, or its shelf dropped and added. Empty texts say nothing.
    # set_number and set_size: 2 and 3 for "disc 2 of 3", 0 where nothing is said.
    """
    CREATE TABLE descriptions (
        digest       TEXT PRIMARY KEY,
        note         BLOB NOT NULL,
        place        BLOB NOT NULL,
        part_number  BLOB NOT NULL,
        set_name     BLOB NOT NULL,
        set_number   INTEGER NOT NULL,
        set_size     INTEGER NOT NULL,
        tags         BLOB NOT NULL,
        changed_at   TEXT NOT NULL
    ) WITHOUT ROWID
    """,
    # What a disc says of itself, worked out from its facts. reader: by which version of the
    # rules; rows of another version, and those that are not here, are worked out again.
    """
    CREATE TABLE disc_summaries (
        image_id     INTEGER PRIMARY KEY REFERENCES images ON DELETE CASCADE,
        reader       INTEGER NOT NULL,
        created      TEXT NOT NULL,
        modified     TEXT NOT NULL,
        effective    TEXT NOT NULL,
        application  BLOB NOT NULL,
        boot         TEXT NOT NULL,
        scripts      TEXT NOT NULL,
        installers   TEXT NOT NULL,
        set_name     BLOB NOT NULL,
        set_number   INTEGER NOT NULL,
        set_size     INTEGER NOT NULL
    )
    """,
    # Digests that somebody published for a file of this name: from a checksum list.
    """
    CREATE TABLE expected_digests (
        image_id     INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
        algorithm    TEXT NOT NULL,
        digest       TEXT NOT NULL,
        list_name    BLOB NOT NULL,
        imported_at  TEXT NOT NULL,
        PRIMARY KEY (image_id, algorithm)
    ) WITHOUT ROWID
    """,
    "CREATE INDEX expected_by_digest ON expected_digests (digest)",
)


def add_keeping(db: sqlite3.Connection) -> None:
    """Make these tables; nothing is known for them yet."""
    for statement in TABLES:
        db.execute(statement)
