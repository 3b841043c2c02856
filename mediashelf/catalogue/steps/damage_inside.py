"""A step of the catalogue: what audits found inside files, for the bytes that have it."""

from __future__ import annotations

import sqlite3

# found_in names the image that was looked into. A row stays while an image with these bytes decays,
# is unreadable or forgotten, until files inside of them are read again and found right.
TABLES = (
    """
    CREATE TABLE damage_inside (
        digest    TEXT PRIMARY KEY,
        found_in  BLOB NOT NULL,
        found_at  TEXT NOT NULL,
        findings  TEXT NOT NULL
    ) WITHOUT ROWID
    """,
)


def add_damage_inside(db: sqlite3.Connection) -> None:
    """Make the table, and keep there what the last audit of each damaged image found."""
    for statement in TABLES:
        db.execute(statement)
    damaged = db.execute(
        "SELECT images.id, CAST(shelves.name || ': ' AS BLOB) || path, "
        "coalesce(audited_at, images.scanned_at) "
        "FROM images JOIN shelves ON shelves.id = shelf_id "
        "WHERE judged_by = 'audit' AND verdict = 'damaged'"
    ).fetchall()
    for image_id, place, found_at in damaged:
        import json  # a new catalogue has none

        found = db.execute(
            "SELECT severity, detail FROM findings WHERE image_id = ?1 AND origin = 'audit' AND "
            "rule != 'damage-inside-on-record' AND rule NOT IN "
            "(SELECT rule FROM findings WHERE image_id = ?1 AND origin = 'scan') ORDER BY number",
            [image_id],
        ).fetchall()
        findings = [{**json.loads(detail), "severity": severity} for severity, detail in found]
        db.execute(
            "INSERT OR IGNORE INTO damage_inside SELECT digest, ?, ?, ? FROM fixity "
            "WHERE image_id = ? AND replaced_at IS NULL",
            [bytes(place), found_at, json.dumps(findings), image_id],
        )
