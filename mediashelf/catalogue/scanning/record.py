"""Writing what was read of an image. Each function works within the caller's transaction."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence

from mediashelf.catalogue.records.acknowledged import bring_back
from mediashelf.catalogue.records.earlier import digests_in_force, put_aside
from mediashelf.catalogue.records.entry_rows import add_entries
from mediashelf.catalogue.records.inside import keep_inside
from mediashelf.catalogue.records.name_index import forget_unused_names
from mediashelf.catalogue.records.waiting import drop_waiting, keep_waiting
from mediashelf.catalogue.rows import RECORDED, keep_path, keep_text
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.summaries import write_summaries
from mediashelf.findings import Finding
from mediashelf.integrity.fixity.comparing import (
    FixityVerdict,
    Observed,
    State,
    compare_with_record,
)


def record_new(db: sqlite3.Connection, place: RecordPlace, reading: Reading, now: str) -> int:
    """Record an image that has no record yet; returns its id."""
    is_read = not reading.is_unread
    (image_id,) = db.execute(
        """
        INSERT INTO images (shelf_id, path, size, mtime_ns, file_system, presence, verdict,
                            is_sheet, looks_raw, entry_count, scanned_at)
        VALUES (?, ?, ?, ?, ?, 'here', ?, ?, ?, ?, ?) RETURNING id
        """,
        [
            place.shelf_id,
            keep_path(place.path),
            reading.size,
            reading.mtime_ns,
            place.file_system,
            verdict_of(reading) if is_read else "",
            reading.is_sheet,
            reading.looks_raw if is_read else False,
            reading.listing.count() if is_read else 0,
            now,
        ],
    ).fetchone()
    if not is_read:
        record_unread(db, image_id, reading, now)
        return int(image_id)
    _add_digests(db, image_id, reading, now, is_first=True)
    _add_structure(db, image_id, reading)
    _add_findings(db, image_id, "scan", reading.findings)
    return int(image_id)


def record_unread(db: sqlite3.Connection, image_id: int, reading: Reading, now: str) -> None:
    """Keep that a file could not be read whole; that changes nothing but its verdict."""
    verdict = (State.CHANGING if reading.is_changing else State.UNREADABLE).value
    db.execute(
        "UPDATE images SET verdict = ?, judged_by = 'scan', problem = ?, presence = 'here', "
        "scanned_at = max(scanned_at, ?) WHERE id = ?",
        [verdict, reading.problem, now, image_id],
    )


def record_contents(db: sqlite3.Connection, image_id: int, reading: Reading, now: str) -> None:
    """Make what was read the record; an older one is kept as replaced.

    The caller has the keeper's word for that, or there is no record that differs.
    """
    judged_by, verdict = db.execute(
        "SELECT judged_by, verdict FROM images WHERE id = ?", [image_id]
    ).fetchone()
    is_same = _record_digests(db, image_id, reading, now)
    # An audit may have looked deeper than a scan does; of the same bytes its word stands.
    stays = is_same and judged_by == "audit" and verdict == State.DAMAGED
    if not stays:
        verdict, judged_by = verdict_of(reading), "scan"
    _set_contents(db, image_id, reading, verdict, judged_by, now)
    old_names = _forget_structure(db, image_id)
    _add_structure(db, image_id, reading)
    forget_unused_names(db, old_names)
    replace_findings(db, image_id, "scan", reading.findings)
    if not stays:
        replace_findings(db, image_id, "audit", ())
    drop_waiting(db, image_id)


def _set_contents(
    db: sqlite3.Connection, image_id: int, reading: Reading, verdict: str, judged_by: str, now: str
) -> None:
    db.execute(
        """
        UPDATE images SET size = ?, mtime_ns = ?, presence = 'here', verdict = ?,
            judged_by = ?, problem = '', looks_raw = ?, entry_count = ?,
            scanned_at = max(scanned_at, ?)
        WHERE id = ?
        """,
        [
            reading.size,
            reading.mtime_ns,
            verdict,
            judged_by,
            reading.looks_raw,
            reading.listing.count(),
            now,
            image_id,
        ],
    )


def record_beside(
    db: sqlite3.Connection, image_id: int, reading: Reading, verdict: FixityVerdict, now: str
) -> None:
    """Keep a reading that differs from the record beside it; the record is not touched.

    Findings of bytes that wait are kept as an audit's are: those of the origin
    "scan" belong to the record.
    """
    assert reading.digests is not None
    db.execute(
        "UPDATE images SET presence = 'here', verdict = ?, judged_by = 'audit', problem = '', "
        "scanned_at = max(scanned_at, ?) WHERE id = ?",
        [verdict.state.value, now, image_id],
    )
    keep_waiting(db, image_id, reading.digests, reading.mtime_ns, verdict.state, now)
    replace_findings(db, image_id, "audit", verdict.findings)


def verdict_of(reading: Reading) -> str:
    """Return what is known right after reading: recorded, unless the structure shows damage."""
    state = compare_with_record("", Observed(digests=reading.digests), None, reading.findings).state
    return RECORDED if state is State.UNRECORDED else state.value


def _record_digests(db: sqlite3.Connection, image_id: int, reading: Reading, now: str) -> bool:
    """Record digests; return whether they are those that were on record."""
    digests = reading.digests
    assert digests is not None
    in_force = digests_in_force(db, image_id)
    is_same = any(in_force.get(name) == digest for name, digest in digests.whole.items())
    if in_force and not is_same:
        put_aside(db, image_id, now)
    _add_digests(db, image_id, reading, now, is_first=not in_force)
    return is_same


def _add_digests(
    db: sqlite3.Connection, image_id: int, reading: Reading, now: str, *, is_first: bool
) -> None:
    digests = reading.digests
    assert digests is not None
    if is_first:
        bring_back(db, image_id, digests.whole.values())
    for algorithm, digest in digests.whole.items():
        db.execute(
            """
            INSERT INTO fixity (image_id, algorithm, digest, size, recorded_at, confirmed_at)
            VALUES (?, ?, ?, ?, ?, ?)
            ON CONFLICT (image_id, algorithm) WHERE replaced_at IS NULL
            DO UPDATE SET confirmed_at = max(confirmed_at, excluded.confirmed_at)
            """,
            [image_id, algorithm, digest, digests.size, now, now],
        )
    db.execute(
        "INSERT OR REPLACE INTO block_digests (image_id, block_size, digests) VALUES (?, ?, ?)",
        [image_id, digests.block_size, digests.blocks],
    )


_STRUCTURE = (
    "volumes",
    "target_verdicts",
    "disc_facts",
    "disc_summaries",
    "bytes_inside",
    "entries",
)


def _forget_structure(db: sqlite3.Connection, image_id: int) -> list[tuple[int]]:
    """Forget what was read of the structure of the disc; returns the names that it used."""
    names = db.execute(
        "SELECT DISTINCT name_id FROM entries WHERE image_id = ?", [image_id]
    ).fetchall()
    for table in _STRUCTURE:
        db.execute(f"DELETE FROM {table} WHERE image_id = ?", [image_id])
    return names


def _add_structure(db: sqlite3.Connection, image_id: int, reading: Reading) -> None:
    if reading.structure_read:
        db.executemany(
            "INSERT INTO volumes (image_id, number, kind, label) VALUES (?, ?, ?, ?)",
            [
                (image_id, number, kind.value, keep_text(label))
                for number, (kind, label) in enumerate(reading.volumes)
            ],
        )
        db.execute(
            "INSERT INTO disc_facts (image_id, packed) VALUES (?, ?)",
            [image_id, reading.packed_facts],
        )
        if reading.summary is not None:
            write_summaries(db, {image_id: reading.summary})
    if reading.bytes_inside:
        keep_inside(db, image_id, reading.bytes_inside)
    if reading.readable:
        from mediashelf.catalogue.readable import keep_answers  # whoever read it has loaded this

        keep_answers(db, image_id, reading.readable)
    add_entries(db, image_id, reading.listing)


def move_record(db: sqlite3.Connection, image_id: int, place: RecordPlace, mtime_ns: int) -> None:
    """Let a record follow its file to another place; all that is known stays."""
    db.execute(
        "UPDATE images SET shelf_id = ?, path = ?, file_system = ?, mtime_ns = ?, "
        "presence = 'here' WHERE id = ?",
        [place.shelf_id, keep_path(place.path), place.file_system, mtime_ns, image_id],
    )


def replace_findings(
    db: sqlite3.Connection, image_id: int, origin: str, findings: Sequence[Finding]
) -> None:
    """Put findings in the place of the older ones of the same origin."""
    db.execute("DELETE FROM findings WHERE image_id = ? AND origin = ?", [image_id, origin])
    _add_findings(db, image_id, origin, findings)


def _add_findings(
    db: sqlite3.Connection, image_id: int, origin: str, findings: Sequence[Finding]
) -> None:
    db.executemany(
        "INSERT INTO findings (image_id, origin, number, severity, rule, detail) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [
            # ASCII escapes carry lone surrogates, which UTF-8 would refuse.
            (image_id, origin, number, finding.severity, finding.rule, json.dumps(_plain(finding)))
            for number, finding in enumerate(findings)
        ],
    )


def _plain(finding: Finding) -> dict[str, str | int | None]:
    return {name: value for name, value in finding.as_dict().items() if name != "severity"}
