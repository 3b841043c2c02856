"""Which contents of images were looked into for packages, and which no image has any more.

Light to load: a scan asks it each time, and seldom has to look.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.schema import transaction

if TYPE_CHECKING:
    from mediashelf.drivers.recorded_others import KeptOther
    from mediashelf.drivers.recorded_values import KeptPackage

PLAIN, DEEP = 15, 16
"""How far a content was looked into: its own files, or archives among them as well.

When the rules change by which packages are read, both numbers are raised.
"""


class PackagesSeen(NamedTuple):
    """What was found in one content, and its places that could not be looked into."""

    kept: tuple[KeptPackage | KeptOther, ...]
    unopened: tuple[str, ...] = ()


def digest_of(row: ImageRow) -> str:
    """Return what an image's packages are kept by, empty where nothing of it is on record."""
    return next(iter(row.digests.values()), "")


def is_settled(db: sqlite3.Connection, reader: int) -> bool:
    """Tell quickly that every content on record was looked into, and nothing else is kept.

    False where that takes more to be seen: :func:`not_looked_into` and :func:`forget_unused` do.
    """
    if _is_plainly_settled(db, reader):
        return True
    images, sources = db.execute(
        "SELECT count(DISTINCT image_id), count(DISTINCT package_sources.id) "
        "FROM fixity CROSS JOIN package_sources ON package_sources.digest = fixity.digest "
        "WHERE replaced_at IS NULL AND reader >= ?",
        [reader],
    ).fetchone()
    on_record = "SELECT count(DISTINCT image_id) FROM fixity WHERE replaced_at IS NULL"
    without_sheets = f"{on_record} AND image_id NOT IN (SELECT id FROM images WHERE is_sheet)"
    kept = "SELECT count(*) FROM package_sources"
    return (sources,) == db.execute(kept).fetchone() and any(
        (images,) == db.execute(question).fetchone() for question in (on_record, without_sheets)
    )


_COUNTS = """
    SELECT (SELECT count(*) FROM images), (SELECT count(*) FROM fixity),
    (SELECT count(*) FROM fixity WHERE replaced_at IS NULL), (SELECT count(*) FROM package_sources),
    (SELECT count(*) FROM package_sources WHERE reader >= ?)
"""
_MET = """
    SELECT count(DISTINCT package_sources.digest), count(*)
    FROM package_sources CROSS JOIN fixity ON fixity.digest = package_sources.digest
"""


def _is_plainly_settled(db: sqlite3.Connection, reader: int) -> bool:
    """Tell the same where no record was replaced, in half the time: indexes alone are read."""
    images, all_records, records, all_sources, sources = db.execute(_COUNTS, [reader]).fetchone()
    if all_records > images or all_records != records or all_sources != sources:
        return False
    met, pairs = db.execute(_MET).fetchone()
    return bool(met == sources and pairs == records)


@reads_catalogue
def not_looked_into(db: sqlite3.Connection, reader: int, shelf_id: int | None) -> list[int]:
    """Return the images that are here with their recorded bytes and not looked into so far.

    They are those of one shelf, or with None of all, by shelf and path. Of copies of one
    image only the first is returned.
    """
    wanted: dict[str, int] = {}
    for image_id, _, digest in db.execute(
        "SELECT images.id, min(fixity.id), digest FROM fixity "
        "JOIN images ON images.id = fixity.image_id JOIN shelves ON shelves.id = shelf_id "
        "WHERE replaced_at IS NULL AND presence = 'here' AND NOT is_sheet "
        "AND (?1 IS NULL OR shelf_id = ?1) AND images.id NOT IN (SELECT image_id FROM waiting) "
        "GROUP BY images.id HAVING digest NOT IN "
        "(SELECT digest FROM package_sources WHERE reader >= ?2) ORDER BY shelves.name, path",
        [shelf_id, reader],
    ):
        wanted.setdefault(digest, image_id)
    return list(wanted.values())


def has_unopened(db: sqlite3.Connection) -> bool:
    """Tell whether there are places on record that could not be looked into."""
    found = db.execute("SELECT 1 FROM package_sources WHERE unopened != '[]' LIMIT 1")
    return found.fetchone() is not None


def forget_unused(db: sqlite3.Connection) -> None:
    """Forget the packages of contents that no image on record has any more."""
    _forget_found(
        db,
        "SELECT id FROM package_sources WHERE NOT EXISTS (SELECT 1 FROM fixity "
        "WHERE fixity.digest = package_sources.digest AND replaced_at IS NULL)",
    )


def forget_closed_for(db: sqlite3.Connection, reason: str, reader: int) -> None:
    """Forget what this reader may do better: contents in which something is closed for a reason."""
    found = "SELECT id FROM package_sources WHERE reader <= ? AND instr(unopened, ?)"
    _forget_found(db, found, reader, reason)


def _forget_found(db: sqlite3.Connection, found: str, *parameters: str | int) -> None:
    if db.execute(f"{found} LIMIT 1", parameters).fetchone() is not None:  # seldom: no lock for it
        with transaction(db):
            forget(db, db.execute(found, parameters))


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
