"""Findings that the keeper knows and lives with: for one image, one rule, and these bytes alone."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, keep_text, kept_text, utc_now
from mediashelf.integrity.fixity.acknowledged import Acknowledged


def acknowledge(db: sqlite3.Connection, row: ImageRow, rule: str, why: str) -> None:
    """Keep that a finding is known, within the caller's transaction; the image has a record."""
    db.execute(
        "INSERT OR REPLACE INTO acknowledged (image_id, rule, digest, why, acknowledged_at) "
        "VALUES (?, ?, ?, ?, ?)",
        [row.id, rule, next(iter(row.digests.values())), keep_text(why), utc_now()],
    )


def take_back(db: sqlite3.Connection, image_id: int, rule: str) -> bool:
    """Forget an acknowledgement; return whether there was one."""
    return bool(
        db.execute(
            "DELETE FROM acknowledged WHERE image_id = ? AND rule = ?", [image_id, rule]
        ).rowcount
    )


def keep_before_forgetting(db: sqlite3.Connection, where: str, *values: object) -> None:
    """Keep what was acknowledged of the images that ``where`` picks; they are forgotten next."""
    for digest, path, rule, why, at in db.execute(
        "SELECT digest, path, rule, why, acknowledged_at FROM acknowledged "
        f"JOIN images ON images.id = image_id WHERE {where}",
        values,
    ).fetchall():
        db.execute(
            "INSERT OR REPLACE INTO acknowledged_before "
            "(digest, file_name, rule, why, acknowledged_at) VALUES (?, ?, ?, ?, ?)",
            [digest, _file_name(path), rule, why, at],
        )


def bring_back(db: sqlite3.Connection, image_id: int, digests: Iterable[str]) -> None:
    """Let an image that was forgotten and is on record again have what was acknowledged of it."""
    if db.execute("SELECT 1 FROM acknowledged_before LIMIT 1").fetchone() is None:
        return  # as mostly
    (path,) = db.execute("SELECT path FROM images WHERE id = ?", [image_id]).fetchone()
    for digest in digests:
        key = [digest, _file_name(path)]
        db.execute(
            "INSERT OR IGNORE INTO acknowledged (image_id, rule, digest, why, acknowledged_at) "
            "SELECT ?, rule, digest, why, acknowledged_at FROM acknowledged_before "
            "WHERE digest = ? AND file_name = ?",
            [image_id, *key],
        )
        db.execute("DELETE FROM acknowledged_before WHERE digest = ? AND file_name = ?", key)


def _file_name(path: bytes) -> bytes:
    return path.rpartition(b"/")[2]


KNOWN = (
    "SELECT known.rule FROM acknowledged AS known JOIN fixity ON fixity.image_id = known.image_id "
    "AND fixity.digest = known.digest AND replaced_at IS NULL WHERE known.image_id = "
)
"""Asks which rules were acknowledged for the bytes that an image, to be named, has on record."""


@reads_catalogue
def acknowledged_of(db: sqlite3.Connection, image_id: int) -> dict[str, Acknowledged]:
    """Return by rule what was acknowledged for the bytes that are on record now."""
    rows = db.execute(
        f"SELECT rule, why, acknowledged_at FROM acknowledged WHERE image_id = ?1 AND rule IN "
        f"({KNOWN} ?1)",
        [image_id],
    )
    return {
        rule: Acknowledged(kept_text(why), acknowledged_at) for rule, why, acknowledged_at in rows
    }
