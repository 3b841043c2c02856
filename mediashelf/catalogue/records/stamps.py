"""What a walk of a shelf is compared with: of most images just what shows that they are unchanged.

Light to load, and quick: most scans find ten thousand files as they were.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from typing import NamedTuple

from mediashelf.catalogue.records.reading import ContentError, reads_catalogue
from mediashelf.catalogue.rows import ShelfRow, kept_path
from mediashelf.integrity.fixity.states import State

Stamp = tuple[int, int, str]
"""By what a file is taken for unchanged: its size, its date, and the file system that holds it."""


class ImageOnRecord(NamedTuple):
    """What a walk is compared with: size and date are those of bytes that wait, where some do."""

    id: int
    size: int
    mtime_ns: int
    file_system: str
    presence: str
    verdict: str
    is_waiting: int
    has_digests: int


UNREAD = (State.UNREADABLE.value, State.CHANGING.value)
"""Verdicts on images that are read again, whatever their dates."""

_AS_IT_WAS = """
    SELECT path, size, mtime_ns, file_system FROM images
    WHERE +shelf_id = ? AND presence = 'here' AND verdict != ? AND verdict != ?
    AND id NOT IN (SELECT image_id FROM waiting)
    AND id IN (SELECT image_id FROM fixity WHERE replaced_at IS NULL)
"""
"""Without the index of paths: most of the table is asked for."""


@reads_catalogue
def stamps_of(db: sqlite3.Connection, shelf: ShelfRow) -> dict[str, Stamp]:
    """Return by path what shows that an image is as it was; what else may be of use lacks.

    Nothing is done with these values but that they are compared with what the disk says.
    """
    rows = db.execute(_AS_IT_WAS, [shelf.id, *UNREAD])
    return {kept_path(path): (size, mtime_ns, place) for path, size, mtime_ns, place in rows}


_KINDS = (int, int, int, str, str, str, int, int)


@reads_catalogue
def known_images(
    db: sqlite3.Connection, shelf: ShelfRow, besides: Collection[str]
) -> dict[str, ImageOnRecord]:
    """Return the images on record on a shelf, by path, without those that are told ``besides``."""
    (count,) = db.execute("SELECT count(*) FROM images WHERE shelf_id = ?", [shelf.id]).fetchone()
    if count == len(besides):
        return {}
    paths: list[bytes] = []
    rows: list[tuple[int | str, ...]] = []
    for path, *values in db.execute(
        "SELECT path, id, coalesce(waiting.size, images.size), "
        "coalesce(waiting.mtime_ns, images.mtime_ns), file_system, presence, verdict, "
        "waiting.image_id IS NOT NULL, EXISTS (SELECT 1 FROM fixity "
        "WHERE fixity.image_id = images.id AND replaced_at IS NULL) "
        "FROM images LEFT JOIN waiting ON waiting.image_id = images.id "
        "WHERE shelf_id = ? ORDER BY path",
        [shelf.id],
    ):
        paths.append(path)
        rows.append(tuple(values))
    for column, kind in zip(zip(*rows, strict=True), _KINDS, strict=False):
        if set(map(type, column)) != {kind}:
            raise ContentError("a value is not valid")
    if any(b"\0" in path for path in paths):
        raise ContentError("a path has a NUL in it")
    known = zip(map(kept_path, paths), map(ImageOnRecord._make, rows), strict=True)
    return {path: row for path, row in known if path not in besides}
