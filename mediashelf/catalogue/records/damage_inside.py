"""What an audit found wrong inside files: it holds for the bytes, wherever they are."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import keep_text, kept_text
from mediashelf.findings import Finding, Severity

if TYPE_CHECKING:  # a scan that finds nothing new needs no digests
    from mediashelf.catalogue.rows import ImageRow


def keep_damage_inside(
    db: sqlite3.Connection, row: ImageRow, findings: Sequence[Finding], now: str
) -> None:
    """Keep what files inside of the bytes on record were found to have; none settles it."""
    import json  # most commands do not audit

    plain = json.dumps([{**each.as_dict(), "severity": each.severity} for each in findings])
    for digest in row.digests.values():
        db.execute("DELETE FROM damage_inside WHERE digest = ?", [digest])
        if findings:
            db.execute(
                "INSERT INTO damage_inside (digest, found_in, found_at, findings) "
                "VALUES (?, ?, ?, ?)",
                [digest, keep_text(row.where), now, plain],
            )


def has_damage_inside(db: sqlite3.Connection, digests: Iterable[str]) -> bool:
    """Tell whether anything was found inside bytes with one of these digests."""
    sql = "SELECT 1 FROM damage_inside WHERE digest = ?"
    return any(db.execute(sql, [digest]).fetchone() for digest in digests)


@reads_catalogue
def damage_inside_of(
    db: sqlite3.Connection, where: str, digests: Iterable[str]
) -> tuple[Finding, ...]:
    """Return what was found inside bytes with one of these digests; first, that it was.

    ``where`` names the image that has them.
    """
    for digest in digests:
        for found_in, found_at, plain in db.execute(
            "SELECT found_in, found_at, findings FROM damage_inside WHERE digest = ?", [digest]
        ):
            import json  # mostly nothing was found

            from mediashelf.integrity.fixity.findings import damaged_inside

            place = kept_text(found_in)
            told = damaged_inside(where, found_at, "" if place == where else place)
            found = (
                Finding(**{**each, "severity": Severity(each["severity"])})
                for each in json.loads(plain)
            )
            return (told, *found)
    return ()
