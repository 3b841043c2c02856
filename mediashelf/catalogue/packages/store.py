"""Writing what was found inside an image, within the caller's transaction."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from mediashelf.catalogue.packages.looked_into import forget
from mediashelf.catalogue.rows import keep_text, utc_now

if TYPE_CHECKING:
    from mediashelf.drivers.recorded_others import KeptOther
    from mediashelf.drivers.recorded_values import KeptPackage

MOST_UNOPENED = 200
"""Archives and installers of one image that could not be opened, and are named."""

MOST_PACKAGES = 50_000
"""Packages of one image that are kept."""


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
    forget(db, db.execute("SELECT id FROM package_sources WHERE digest = ?", [digest]))
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


def _record_one(db: sqlite3.Connection, source: int, package: KeptPackage | KeptOther) -> None:
    # Loaded only here: most images hold no package.
    from mediashelf.catalogue.packages.packing import identifier_rows, pack

    kind, facts, more = pack(package)
    package_id = db.execute(
        "INSERT INTO packages (source_id, kind, path, facts, more) VALUES (?, ?, ?, ?, ?) "
        "RETURNING id",
        [source, kind, keep_text(package.path), facts, more],
    ).fetchone()[0]
    db.executemany(
        "INSERT INTO package_models (identifier, package_id, number, place, section, base) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        ((text, package_id, *rest) for text, *rest in identifier_rows(package)),
    )
