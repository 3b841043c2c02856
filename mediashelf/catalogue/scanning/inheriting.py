"""A record for an image that has the bytes of another one, or should have them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from mediashelf.catalogue.rows import ImageRow, keep_path
from mediashelf.catalogue.scanning.record import RecordPlace
from mediashelf.integrity.fixity.states import State

_COPIED = {
    "fixity": "algorithm, digest, size, recorded_at, confirmed_at",
    "block_digests": "block_size, digests",
    "disc_facts": "packed",
    "volumes": "number, kind, label",
    "bytes_inside": "name, size, digest",
    "entries": "number, folder_id, name_id, size, marks, twin",
    "waiting": "size, mtime_ns, digests, seen_at, judged, judged_at",
}
"""Tables of a record, and what is copied of each; the history stays with its image."""


def copy_record(
    db: sqlite3.Connection, source_id: int, place: RecordPlace, image_id: int | None
) -> int:
    """Give a file at another place the record of an image; returns the file's id.

    ``image_id`` is the row of that place if there is one; it has no record of its own.
    """
    about = "size, mtime_ns, is_sheet, looks_raw, entry_count"
    if image_id is None:
        (image_id,) = db.execute(
            f"INSERT INTO images (shelf_id, path, file_system, presence, verdict, scanned_at, "
            f"{about}) SELECT ?, ?, ?, 'here', '', scanned_at, {about} FROM images WHERE id = ? "
            "RETURNING id",
            [place.shelf_id, keep_path(place.path), place.file_system, source_id],
        ).fetchone()
    else:
        db.execute(
            f"UPDATE images SET ({about}) = (SELECT {about} FROM images WHERE id = ?) WHERE id = ?",
            [source_id, image_id],
        )
    for table, columns in _COPIED.items():
        in_force = " AND replaced_at IS NULL" if table == "fixity" else ""
        db.execute(
            f"INSERT INTO {table} (image_id, {columns}) SELECT ?, {columns} FROM {table} "
            f"WHERE image_id = ?{in_force}",
            [image_id, source_id],
        )
    _copy_findings(db, source_id, image_id, "scan")
    return int(image_id)


def take_over_verdict(
    db: sqlite3.Connection, image_id: int, twins: Sequence[ImageRow], now: str
) -> None:
    """Let what an audit found damaged inside hold for the same bytes at another place too."""
    twin = next(
        (row for row in twins if row.judged_by == "audit" and row.verdict == State.DAMAGED), None
    )
    if twin is None:
        return
    db.execute(
        "UPDATE images SET verdict = ?, judged_by = 'audit', audited_at = ? WHERE id = ?",
        [twin.verdict, twin.audited_at or now, image_id],
    )
    _copy_findings(db, twin.id, image_id, "audit")


def _copy_findings(db: sqlite3.Connection, source_id: int, image_id: int, origin: str) -> None:
    db.execute("DELETE FROM findings WHERE image_id = ? AND origin = ?", [image_id, origin])
    db.execute(
        "INSERT INTO findings (image_id, origin, number, severity, rule, detail) "
        "SELECT ?, origin, number, severity, rule, detail FROM findings "
        "WHERE image_id = ? AND origin = ?",
        [image_id, source_id, origin],
    )
