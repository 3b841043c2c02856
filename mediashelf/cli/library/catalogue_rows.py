"""How rows of the catalogue look in JSON, the same in every command."""

from __future__ import annotations

from typing import Any

from mediashelf.catalogue.rows import ImageRow, ShelfRow
from mediashelf.findings import Severity


def image_dict(row: ImageRow) -> dict[str, Any]:
    """Return the JSON form of an image's record."""
    return {
        "shelf": row.shelf,
        "path": row.path,
        "file": str(row.file),
        "size": row.size,
        "state": row.state,
        "presence": row.presence.value,
        "verdict": row.verdict,
        "problem": row.problem,
        "label": row.label,
        "kinds": list(row.kinds),
        "is_sheet": row.is_sheet,
        "looks_raw": row.looks_raw,
        "entry_count": row.entry_count,
        "digests": row.digests,
        "recorded_at": row.recorded_at or None,
        "confirmed_at": row.confirmed_at or None,
        "scanned_at": row.scanned_at,
        "audited_at": row.audited_at,
        "finding_counts": {
            severity.word: row.finding_counts.get(severity, 0) for severity in Severity
        },
    }


def shelf_dict(row: ShelfRow, *, is_here: bool) -> dict[str, Any]:
    """Return the JSON form of a shelf."""
    return {
        "name": row.name,
        "root": str(row.root),
        "is_here": is_here,
        "images": row.image_count,
        "size": row.total_size,
        "added_at": row.added_at,
        "scanned_at": row.scanned_at,
    }
