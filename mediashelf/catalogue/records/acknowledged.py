"""Findings that the keeper knows and lives with: for one image, one rule, and these bytes alone."""

from __future__ import annotations

import sqlite3

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
