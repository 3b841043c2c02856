"""A step of the catalogue: driver packages inside images, by the digest of the image.

Copies of an image share what was found in it, and a file that moves keeps it. What no
image has the digest of any more is forgotten by the next scan.
"""

from __future__ import annotations

import sqlite3

TABLES = (
    # One row for each content that was looked into, with packages or without. reader: by which
    # rules and how far. unopened: a JSON list of what in it could not be looked into.
    """
    CREATE TABLE package_sources (
        id       INTEGER PRIMARY KEY,
        digest   TEXT NOT NULL UNIQUE,
        reader   INTEGER NOT NULL,
        read_at  TEXT NOT NULL,
        unopened TEXT NOT NULL
    )
    """,
    # kind: inf, dos or old. facts: what every question needs, more: what only an answer
    # does; JSON, deflated. The driver's date and version are in facts.
    """
    CREATE TABLE packages (
        id         INTEGER PRIMARY KEY,
        source_id  INTEGER NOT NULL REFERENCES package_sources ON DELETE CASCADE,
        kind       TEXT NOT NULL CHECK (kind IN ('inf', 'dos', 'old')),
        path       BLOB NOT NULL,
        facts      BLOB NOT NULL,
        more       BLOB NOT NULL
    )
    """,
    "CREATE INDEX packages_of_source ON packages (source_id)",
    # identifier: only such as a device can have, ASCII and below 200 characters. section and
    # base: numbers within the package. place: 0 for the hardware id of an entry, then its
    # compatible ids.
    """
    CREATE TABLE package_models (
        identifier  TEXT NOT NULL,
        package_id  INTEGER NOT NULL,
        number      INTEGER NOT NULL,
        place       INTEGER NOT NULL,
        section     INTEGER NOT NULL,
        base        INTEGER NOT NULL,
        PRIMARY KEY (identifier, package_id, number, place)
    ) WITHOUT ROWID
    """,
)


def add_packages(db: sqlite3.Connection) -> None:
    """Make the tables; the next scan looks into the images that are on record."""
    for statement in TABLES:
        db.execute(statement)
