"""The catalogue's third step: a history of every image, and bench sessions with their notes."""

from __future__ import annotations

import sqlite3

TABLES = (
    # What scans, audits and mending found of an image. Rows are only ever added. That an
    # image was put on a card or served is told by the tables of sessions below.
    """
    CREATE TABLE history (
        id           INTEGER PRIMARY KEY,
        image_id     INTEGER NOT NULL REFERENCES images ON DELETE CASCADE,
        happened_at  TEXT NOT NULL,
        event        TEXT NOT NULL,
        seen_by      TEXT NOT NULL,
        detail       BLOB NOT NULL
    )
    """,
    "CREATE INDEX history_of_image ON history (image_id, id)",
    # card: the folder of the card that was prepared last. made_at: the moment in its
    # manifest, by which the card is known again wherever it is plugged in.
    """
    CREATE TABLE sessions (
        id           INTEGER PRIMARY KEY,
        name         BLOB NOT NULL,
        machine      BLOB NOT NULL,
        card         BLOB NOT NULL,
        made_at      TEXT NOT NULL,
        begun_at     TEXT NOT NULL,
        prepared_at  TEXT NOT NULL
    )
    """,
    # A disc whose bytes change gets a new row; the old one stays for its notes.
    """
    CREATE TABLE session_discs (
        id           INTEGER PRIMARY KEY,
        session_id   INTEGER NOT NULL REFERENCES sessions ON DELETE CASCADE,
        position     INTEGER NOT NULL,
        code         TEXT NOT NULL,
        path         BLOB NOT NULL,
        label        BLOB NOT NULL,
        purpose      BLOB NOT NULL,
        targets      TEXT NOT NULL,
        size         INTEGER NOT NULL,
        xxh3_128     TEXT NOT NULL,
        sha256       TEXT NOT NULL,
        image_id     INTEGER REFERENCES images ON DELETE SET NULL,
        staged_at    TEXT NOT NULL,
        replaced_at  TEXT
    )
    """,
    "CREATE INDEX discs_of_session ON session_discs (session_id, position)",
    "CREATE INDEX discs_of_image ON session_discs (image_id)",
    # A later note of the same disc, system and device holds in the place of an earlier one.
    """
    CREATE TABLE session_notes (
        id        INTEGER PRIMARY KEY,
        disc_id   INTEGER NOT NULL REFERENCES session_discs ON DELETE CASCADE,
        system    BLOB NOT NULL,
        device    BLOB NOT NULL,
        outcome   TEXT NOT NULL CHECK (outcome IN ('worked', 'failed', 'withdrawn')),
        note      BLOB NOT NULL,
        noted_at  TEXT NOT NULL
    )
    """,
    "CREATE INDEX notes_of_disc ON session_notes (disc_id)",
)

KNOWN_BEFORE = """
    INSERT INTO history (image_id, happened_at, event, seen_by, detail)
    SELECT image_id, at, event, seen_by, x'' FROM (
        SELECT image_id, recorded_at AS at, 0 AS rank, 'scan' AS seen_by,
               CASE WHEN recorded_at = min(recorded_at) OVER (PARTITION BY image_id)
                    THEN 'recorded' ELSE 'changed' END AS event
        FROM fixity GROUP BY image_id, recorded_at
        UNION
        SELECT image_id, confirmed_at, 1,
               CASE WHEN confirmed_at = audited_at THEN 'audit' ELSE 'scan' END, 'confirmed'
        FROM fixity JOIN images ON images.id = image_id WHERE confirmed_at > recorded_at
        UNION
        SELECT id, audited_at, 2, 'audit', verdict FROM images
        WHERE audited_at IS NOT NULL AND judged_by = 'audit' AND verdict != 'sound'
    ) ORDER BY at, image_id, rank
"""
"""What earlier versions knew of the past: when a digest was recorded, replaced and last
confirmed, and what the last audit found wrong."""


def add_history(db: sqlite3.Connection) -> None:
    """Make the tables of version 3, and begin the history with what is known."""
    for statement in TABLES:
        db.execute(statement)
    db.execute(KNOWN_BEFORE)
