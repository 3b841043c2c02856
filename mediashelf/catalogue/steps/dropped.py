"""A step of the catalogue: what the keeper acknowledged of images that were forgotten."""

from __future__ import annotations

import sqlite3

TABLES = (
    # Comes back with an image of the same bytes and file name: a shelf that was dropped and
    # added again, or a file that was forgotten as missing and put back.
    """
    CREATE TABLE acknowledged_before (
        digest           TEXT NOT NULL,
        file_name        BLOB NOT NULL,
        rule             TEXT NOT NULL,
        why              BLOB NOT NULL,
        acknowledged_at  TEXT NOT NULL,
        PRIMARY KEY (digest, file_name, rule)
    ) WITHOUT ROWID
    """,
)


def add_acknowledged_before(db: sqlite3.Connection) -> None:
    """Make the table; nothing is known for it yet."""
    for statement in TABLES:
        db.execute(statement)
