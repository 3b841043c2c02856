"""The catalogue's fifth step: records that nothing replaces but the keeper's word."""

from __future__ import annotations

import sqlite3

TABLES = (
    # What was last read of an image whose bytes are not those on record. The record stays
    # beside it until the keeper accepts these bytes, or they are found as recorded again.
    # digests: JSON, algorithm to hexadecimal digest. judged: the worst that was said of
    # exactly these bytes; a new date alone does not make decayed bytes better.
    """
    CREATE TABLE waiting (
        image_id    INTEGER PRIMARY KEY REFERENCES images ON DELETE CASCADE,
        size        INTEGER NOT NULL,
        mtime_ns    INTEGER NOT NULL,
        digests     TEXT NOT NULL,
        seen_at     TEXT NOT NULL,
        judged      TEXT NOT NULL,
        judged_at   TEXT NOT NULL
    )
    """,
    # The digests of blocks that go with the rows of fixity that were replaced at this moment.
    """
    CREATE TABLE earlier_blocks (
        id           INTEGER PRIMARY KEY,
        image_id     INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
        replaced_at  TEXT NOT NULL,
        block_size   INTEGER NOT NULL,
        digests      BLOB NOT NULL
    )
    """,
    "CREATE INDEX earlier_blocks_of_image ON earlier_blocks (image_id, replaced_at)",
    # An image at a new place is looked for among those of its size.
    "CREATE INDEX images_by_size ON images (size)",
    # Findings that the keeper knows and lives with, for the bytes of this digest alone.
    """
    CREATE TABLE acknowledged (
        image_id         INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
        rule             TEXT NOT NULL,
        digest           TEXT NOT NULL,
        why              BLOB NOT NULL,
        acknowledged_at  TEXT NOT NULL,
        PRIMARY KEY (image_id, rule)
    ) WITHOUT ROWID
    """,
)


def add_records(db: sqlite3.Connection) -> None:
    """Make the tables of version 5."""
    for statement in TABLES:
        db.execute(statement)
