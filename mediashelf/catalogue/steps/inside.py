"""A step of the catalogue: the digests of images inside compressed files and archives."""

from __future__ import annotations

import sqlite3

# name: of the member of an archive; empty for what a compressed file holds. An image that
# was recorded before has no row here until a scan or an audit reads it.
TABLES = (
    """
    CREATE TABLE bytes_inside (
        image_id  INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
        name      BLOB NOT NULL,
        size      INTEGER NOT NULL,
        digest    TEXT NOT NULL,
        PRIMARY KEY (image_id, name)
    ) WITHOUT ROWID
    """,
)


def add_bytes_inside(db: sqlite3.Connection) -> None:
    """Make the table; nothing is known for it yet."""
    for statement in TABLES:
        db.execute(statement)
