"""Which contents of images were looked into for packages, and which no image has any more.

Light to load: a scan asks it each time, and seldom has to look.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.schema import transaction

PLAIN, DEEP = 3, 4
"""How far a content was looked into: its own files, or archives among them as well.

When the rules change by which packages are read, both numbers are raised.
"""


def digest_of(row: ImageRow) -> str:
    """Return what an image's packages are kept by, empty where nothing of it is on record."""
    return next(iter(row.digests.values()), "")


@reads_catalogue
def not_looked_into(
    db: sqlite3.Connection, rows: Iterable[ImageRow], reader: int
) -> list[ImageRow]:
    """Return the images that are here with their recorded bytes and not looked into so far.

    Of copies of one image only the first is returned.
    """
    known = {
        digest
        for (digest,) in db.execute(
            "SELECT digest FROM package_sources WHERE reader >= ?", [reader]
        )
    }
    wanted: dict[str, ImageRow] = {}
    for row in rows:
        digest = digest_of(row)
        is_whole = row.presence is Presence.HERE and row.waiting is None and not row.is_sheet
        if digest and is_whole and digest not in known:
            wanted.setdefault(digest, row)
    return list(wanted.values())


def forget_unused(db: sqlite3.Connection) -> None:
    """Forget the packages of contents that no image on record has any more."""
    with transaction(db):
        forget(
            db,
            db.execute(
                "SELECT id FROM package_sources WHERE digest NOT IN "
                "(SELECT digest FROM fixity WHERE replaced_at IS NULL)"
            ),
        )


def forget_closed_for(db: sqlite3.Connection, reason: str, reader: int) -> None:
    """Forget what this reader may do better: contents in which something is closed for a reason."""
    found = "SELECT id FROM package_sources WHERE reader <= ? AND instr(unopened, ?)"
    with transaction(db):
        forget(db, db.execute(found, [reader, reason]))


def forget(db: sqlite3.Connection, sources: Iterable[tuple[int]]) -> None:
    """Forget these sources, within the caller's transaction."""
    for (source,) in list(sources):
        # No index serves this: it is done seldom, and would double the table.
        db.execute(
            "DELETE FROM package_models WHERE package_id IN "
            "(SELECT id FROM packages WHERE source_id = ?)",
            [source],
        )
        db.execute("DELETE FROM package_sources WHERE id = ?", [source])
