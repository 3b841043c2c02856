"""Writing what was found inside an image. Each function works in a transaction of its own."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence

from mediashelf.catalogue.packages.packing import can_be_reported, pack_other, pack_package
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, Presence, keep_text, utc_now
from mediashelf.catalogue.schema import transaction
from mediashelf.drivers.recorded import KeptPackage
from mediashelf.drivers.recorded_others import KeptOther

PLAIN, DEEP = 3, 4
"""How far a content was looked into: its own files, or archives among them as well.

When the rules change by which packages are read, both numbers are raised.
"""

MOST_UNOPENED = 200
"""Archives and installers of one image that could not be opened, and are named."""

MOST_PACKAGES = 50_000
"""Packages of one image that are kept."""


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


def record_packages(
    db: sqlite3.Connection,
    digest: str,
    reader: int,
    packages: Iterable[KeptPackage | KeptOther],
    unopened: Sequence[str] = (),
) -> int:
    """Keep what was found in the content of this digest, instead of what was; return how many.

    ``unopened`` are places in it that could not be looked into, with the reason.
    """
    with transaction(db):
        _forget(db, db.execute("SELECT id FROM package_sources WHERE digest = ?", [digest]))
        source = db.execute(
            "INSERT INTO package_sources (digest, reader, read_at, unopened) "
            "VALUES (?, ?, ?, ?) RETURNING id",
            [digest, reader, utc_now(), json.dumps(unopened[:MOST_UNOPENED])],
        ).fetchone()[0]
        count = 0
        for count, package in enumerate(packages, 1):
            _record_one(db, source, package)
            if count == MOST_PACKAGES:
                words = f": only the first {MOST_PACKAGES:,} packages were kept"
                db.execute(
                    "UPDATE package_sources SET unopened = ? WHERE id = ?",
                    [json.dumps([words]), source],
                )
                break
    return count


def forget_unused(db: sqlite3.Connection) -> None:
    """Forget the packages of contents that no image on record has any more."""
    with transaction(db):
        _forget(
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
        _forget(db, db.execute(found, [reader, reason]))


def _forget(db: sqlite3.Connection, sources: Iterable[tuple[int]]) -> None:
    for (source,) in list(sources):
        # No index serves this: it is done seldom, and would double the table.
        db.execute(
            "DELETE FROM package_models WHERE package_id IN "
            "(SELECT id FROM packages WHERE source_id = ?)",
            [source],
        )
        db.execute("DELETE FROM package_sources WHERE id = ?", [source])


def _record_one(db: sqlite3.Connection, source: int, package: KeptPackage | KeptOther) -> None:
    if isinstance(package, KeptPackage):
        kind, (facts, more) = "inf", pack_package(package)
    else:
        kind, (facts, more) = package.kind, pack_other(package)
    package_id = db.execute(
        "INSERT INTO packages (source_id, kind, path, facts, more) VALUES (?, ?, ?, ?, ?) "
        "RETURNING id",
        [source, kind, keep_text(package.path), facts, more],
    ).fetchone()[0]
    db.executemany(
        "INSERT INTO package_models (identifier, package_id, number, place, section, base) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        ((text, package_id, *rest) for text, *rest in _rows(package)),
    )


def _rows(package: KeptPackage | KeptOther) -> Iterator[tuple[str, int, int, int, int]]:
    """Yield identifier, number of the entry, place in it, section and install name."""
    if isinstance(package, KeptPackage):
        for number, model in enumerate(package.models):
            for place, text in enumerate(model.identifiers):
                if can_be_reported(text):
                    yield text, number, place, model.section, model.base
    else:
        for number, text in enumerate(dict.fromkeys(package.identifiers)):
            if can_be_reported(text):
                yield text.upper(), number, 0, 0, 0
