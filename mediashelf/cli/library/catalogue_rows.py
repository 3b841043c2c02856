"""How rows of the catalogue look in JSON, the same in every command."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from mediashelf.catalogue.rows import ImageRow, ShelfRow
from mediashelf.cli.documents import chosen, plain
from mediashelf.findings import Severity
from mediashelf.jobs.library.listing import ListedImage

_IMAGE = (
    *("shelf", "path", "file", "size", "state", "presence", "verdict", "problem", "label"),
    *("kinds", "is_sheet", "looks_raw", "entry_count", "digests", "scanned_at", "audited_at"),
)

_WAITING = ("size", "digests", "seen_at", "judged", "judged_at")


def image_dict(row: ImageRow) -> dict[str, Any]:
    """Return the JSON form of an image's record."""
    return chosen(
        row,
        *_IMAGE,
        recorded_at=row.recorded_at or None,
        confirmed_at=row.confirmed_at or None,
        waiting=None if row.waiting is None else chosen(row.waiting, *_WAITING),
        description=chosen(row.description, "note", "tags", "place", "part_number"),
        expected=row.expected,
        finding_counts={severity: row.finding_counts.get(severity, 0) for severity in Severity},
    )


def copies_list(rows: Iterable[ImageRow]) -> list[dict[str, Any]]:
    """Return the JSON form of the copies of an image."""
    return [chosen(row, "shelf", "path", "file", "state") for row in rows]


def listed_dict(image: ListedImage) -> dict[str, Any]:
    """Return the same with what the disc says of itself, under ``disc``, and its set."""
    number, size = image.set_place
    place = {"name": image.set_name, "number": number, "size": size} if size else None
    return image_dict(image.row) | {"disc": plain(image.summary), "set": place}


def shelf_dict(row: ShelfRow, *, is_here: bool) -> dict[str, Any]:
    """Return the JSON form of a shelf."""
    return chosen(row, "name", "root", "added_at", "scanned_at") | {
        "is_here": is_here,
        "images": row.image_count,
        "size": row.total_size,
    }
