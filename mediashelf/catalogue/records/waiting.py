"""Bytes that differ from the record: kept beside it, until the keeper accepts them.

Nothing here replaces a record. What waits is known by its digests, so that the same
bytes are known again under another name or date. Each function that writes works
within the caller's transaction.
"""

from __future__ import annotations

import sqlite3
from typing import TYPE_CHECKING

from mediashelf.catalogue.records.reading import reads_catalogue, require_types
from mediashelf.catalogue.rows import ImageRow, Waiting
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.states import State

if TYPE_CHECKING:
    from mediashelf.integrity.fixity.digests import Digests

_STICKS = (State.DECAYED, State.TRUNCATED)
"""What a new date alone does not undo, as long as the bytes are the same."""

_LOST_REMEDY = (
    "restore the file, or mend it from a copy; only if the bytes are right all the same: "
    "mediashelf scan --accept IMAGE"
)


def keep_waiting(
    db: sqlite3.Connection, image_id: int, digests: Digests, mtime_ns: int, state: State, now: str
) -> None:
    """Keep a reading beside the record that it differs from.

    ``state`` is what is said of it now. Of bytes that waited before, the moment when
    they were first seen stays, and that they were found decayed or cut.
    """
    import json  # seldom needed: next to nothing waits

    known = waiting_of(db, image_id)
    same = known if known is not None and known.has(digests.whole) else None
    sticks = same is not None and same.judged in _STICKS and state not in _STICKS
    db.execute(
        "INSERT OR REPLACE INTO waiting "
        "(image_id, size, mtime_ns, digests, seen_at, judged, judged_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            image_id,
            digests.size,
            mtime_ns,
            json.dumps(digests.whole),
            same.seen_at if same is not None else now,
            same.judged if same is not None and sticks else state.value,
            same.judged_at if same is not None and sticks else now,
        ],
    )


def drop_waiting(db: sqlite3.Connection, image_id: int) -> None:
    """Nothing waits any more: the bytes are as recorded, or the keeper accepted them."""
    db.execute("DELETE FROM waiting WHERE image_id = ?", [image_id])


@reads_catalogue
def waiting_of(db: sqlite3.Connection, image_id: int) -> Waiting | None:
    """Return what waits beside the record of an image, or None."""
    row = db.execute(
        "SELECT size, mtime_ns, digests, seen_at, judged, judged_at FROM waiting "
        "WHERE image_id = ?",
        [image_id],
    ).fetchone()
    return None if row is None else made_waiting(*row)


def made_waiting(
    size: int, mtime_ns: int, digests: str, seen_at: str, judged: str, judged_at: str
) -> Waiting:
    """Return a row of the table as a value."""
    import json

    whole = json.loads(digests)
    require_types((size, mtime_ns, seen_at, judged, judged_at), (int, int, str, str, str))
    require_types((whole, *whole.values()), (dict, *[str] * len(whole)))
    return Waiting(size, mtime_ns, whole, seen_at, judged, judged_at)


def ids_waiting_with(db: sqlite3.Connection, digest: str) -> list[int]:
    """Return the images beside whose record these bytes wait."""
    import json

    rows = db.execute(
        "SELECT image_id FROM waiting WHERE instr(digests, ?) ORDER BY image_id",
        [json.dumps(digest)],
    )
    return [image_id for (image_id,) in rows]


def waiting_finding(row: ImageRow) -> Finding:
    """Return what a person has to decide about an image with a reading that waits."""
    from mediashelf.integrity.fixity.findings import CHANGED_REMEDY  # a list needs no digests

    waiting = row.waiting
    assert waiting is not None
    differs = waiting.size != row.size
    is_lost = bool(judged_words(waiting))
    return Finding(
        "bytes-as-recorded" if is_lost else "file-as-recorded",
        Severity.ERROR,
        row.where,
        f"the bytes differ from the record of {row.recorded_at[:10]}, which is kept"
        f"{judged_words(waiting)}",
        remedy=_LOST_REMEDY if is_lost else CHANGED_REMEDY,
        found=f"{waiting.size:,} bytes" if differs else "",
        expected=f"{row.size:,} bytes" if differs else "",
    )


def judged_words(waiting: Waiting) -> str:
    """Return that an audit found the same bytes decayed or cut, or nothing."""
    if waiting.judged not in _STICKS:
        return ""
    return f"; these bytes were found {waiting.judged} on {waiting.judged_at[:10]}"
