"""What holds in every catalogue that this program wrote; SQLite cannot know it."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from mediashelf.catalogue.keeping.whole import EntryCount, SeenEntries, lost_rows
from mediashelf.catalogue.rows import kept_path
from mediashelf.findings import Finding, Severity
from mediashelf.formats.lists.values import LENGTHS

_HEX = re.compile(r"[0-9a-f]+")
_BLOCK_DIGEST = 8  # bytes
_ASIDE = timedelta(days=1)  # clocks of two machines may differ a little
_NEW_RECORD = "scan it anew: its record cannot be relied on"
_OWN = "own behaviour"


def check_opened(db: sqlite3.Connection, place: str, entries: SeenEntries) -> Iterator[Finding]:
    """Yield where rows that belong together do not; the file itself is whole."""
    for table, row_id, parent in lost_rows(db, entries):
        yield _wrong(
            "catalogue-rows-belong",
            place,
            f"row {row_id} of {table} belongs to a row of {parent} that is not there",
            "SQLite, PRAGMA foreign_key_check",
        )
    names = {
        image_id: f"{shelf}: {kept_path(path)}"
        for image_id, shelf, path in db.execute(
            "SELECT images.id, name, path FROM images JOIN shelves ON shelves.id = shelf_id"
        )
    }
    yield from _check_digests(db, names)
    yield from _check_blocks(db, names)
    yield from _check_entries(db, names, entries)
    yield from _check_dates(db, names)


def _check_digests(db: sqlite3.Connection, names: dict[int, str]) -> Iterator[Finding]:
    for image_id, algorithm, digest in db.execute(
        "SELECT image_id, algorithm, digest FROM fixity UNION ALL "
        "SELECT image_id, algorithm, digest FROM expected_digests"
    ):
        wanted = LENGTHS.get(algorithm)
        if wanted is None or len(digest) != wanted or not _HEX.fullmatch(digest):
            yield _wrong(
                "digest-is-one",
                names.get(image_id, "?"),
                f"{digest[:80]!r} is not a digest of {algorithm}",
                expected=f"{wanted or 'no'} hexadecimal digits",
            )
    for image_id, sizes in db.execute(
        "SELECT image_id, count(DISTINCT size) FROM fixity WHERE replaced_at IS NULL "
        "GROUP BY image_id HAVING count(DISTINCT size) > 1"
    ):
        yield _wrong("record-is-of-one-size", names.get(image_id, "?"), f"{sizes} sizes on record")


def _check_blocks(db: sqlite3.Connection, names: dict[int, str]) -> Iterator[Finding]:
    for image_id, block_size, length, size in db.execute(
        "SELECT b.image_id, b.block_size, length(b.digests), f.size FROM block_digests AS b "
        "JOIN (SELECT image_id, max(size) AS size FROM fixity WHERE replaced_at IS NULL "
        "GROUP BY image_id) AS f USING (image_id)"
    ):
        blocks = -(-size // block_size) if block_size > 0 else 0
        if length != blocks * _BLOCK_DIGEST:
            yield _wrong(
                "blocks-are-of-the-record",
                names.get(image_id, "?"),
                f"digests of {length // _BLOCK_DIGEST:,} blocks are on record",
                expected=f"{blocks:,}",
            )


def _check_entries(
    db: sqlite3.Connection, names: dict[int, str], entries: SeenEntries
) -> Iterator[Finding]:
    for image_id, known in db.execute("SELECT id, entry_count FROM images"):
        found = entries.counts.get(image_id, EntryCount(0, 0))
        if found.files != known:
            yield _wrong(
                "entries-are-all-there",
                names.get(image_id, "?"),
                f"{found.files:,} files and folders can be searched",
                expected=f"{known:,}",
            )
        if not found.twins:
            continue
        for (number,) in db.execute(
            "SELECT one.number FROM entries AS one WHERE image_id = ? AND twin IS NOT NULL AND "
            "NOT EXISTS (SELECT 1 FROM entries AS other WHERE other.image_id = one.image_id "
            "AND other.number = one.twin)",
            [image_id],
        ):
            yield _wrong(
                "entries-are-all-there",
                names.get(image_id, "?"),
                f"entry {number} names the same file as one that is not there",
            )


def _check_dates(db: sqlite3.Connection, names: dict[int, str]) -> Iterator[Finding]:
    limit = (datetime.now(UTC) + _ASIDE).strftime("%Y-%m-%dT%H:%M:%SZ")
    for image_id, confirmed_at in db.execute(
        "SELECT image_id, max(confirmed_at) FROM fixity GROUP BY image_id "
        "HAVING max(confirmed_at) > ?",
        [limit],
    ):
        yield Finding(
            "date-is-past",
            Severity.WARNING,
            names.get(image_id, "?"),
            f"it was last confirmed on {confirmed_at[:10]}, which is still to come",
            remedy="set this machine's clock; if it is right, it was wrong on that day",
            source=_OWN,
        )
    for image_id, recorded_at, confirmed_at in db.execute(
        "SELECT image_id, recorded_at, confirmed_at FROM fixity WHERE confirmed_at < recorded_at"
    ):
        yield Finding(
            "date-is-past",
            Severity.WARNING,
            names.get(image_id, "?"),
            f"confirmed on {confirmed_at[:10]}, before it was recorded on {recorded_at[:10]}",
            remedy="nothing; the clock went back in between",
            source=_OWN,
        )


def _wrong(
    rule: str, where: str, message: str, source: str = _OWN, *, expected: str = ""
) -> Finding:
    return Finding(
        rule,
        Severity.ERROR,
        where,
        message + (f", expected {expected}" if expected else ""),
        remedy="bring back a saved copy with: mediashelf catalogue restore FILE --replace; else "
        + _NEW_RECORD,
        source=source,
        expected=expected,
    )
