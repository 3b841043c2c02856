"""Writing down what an audit found. Each function works within the caller's transaction."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from msgspec.structs import replace

from mediashelf.catalogue import images
from mediashelf.catalogue.auditing.same_bytes import SameBytes
from mediashelf.catalogue.auditing.values import AuditResult
from mediashelf.catalogue.history import keep_verdict
from mediashelf.catalogue.records.damage_inside import keep_damage_inside
from mediashelf.catalogue.records.inside import keep_inside
from mediashelf.catalogue.records.waiting import drop_waiting, keep_waiting
from mediashelf.catalogue.rows import RECORDED, ImageRow, utc_now
from mediashelf.catalogue.scanning.origins import tell_known_damage, tell_known_damage_of
from mediashelf.catalogue.scanning.record import replace_findings
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Severity, worst
from mediashelf.integrity.fixity.comparing import State


def write_result(
    catalogue: Catalogue, row: ImageRow, result: AuditResult, algorithms: Iterable[str] = ()
) -> AuditResult:
    """Keep a verdict, and digests of ``algorithms`` that are not on record yet.

    Nothing on record is replaced: bytes that differ from it wait beside it, as after a
    scan. A digest is added only where the bytes are proved
    to be those on record; the result says which were.
    """
    db, verdict, now = catalogue.db, result.verdict, utc_now()
    digests = None if result.reading.is_changing else result.reading.digests
    keep_verdict(db, row, verdict, now, files_inside=result.reading.inside_report is not None)
    if verdict.state in (State.MISSING, State.AWAY):
        db.execute("UPDATE images SET presence = ? WHERE id = ?", [verdict.state.value, row.id])
        return result
    db.execute("UPDATE images SET presence = 'here' WHERE id = ?", [row.id])
    if verdict.state is State.CHANGING:
        return result  # what was known of it before still is all that is known
    if verdict.is_confirmed:
        # A new date alone must not make the next scan read the file again.
        db.execute("UPDATE images SET mtime_ns = ? WHERE id = ?", [result.reading.mtime_ns, row.id])
        db.execute(
            "UPDATE fixity SET confirmed_at = max(confirmed_at, ?) "
            "WHERE image_id = ? AND replaced_at IS NULL",
            [now, row.id],
        )
        drop_waiting(db, row.id)
        if result.reading.bytes_inside:
            keep_inside(db, row.id, result.reading.bytes_inside)
        result = replace(result, new_digests=_add_digests(catalogue, row, result, algorithms, now))
    elif digests is not None and row.digests and not result.reading.problem:
        keep_waiting(db, row.id, digests, result.reading.mtime_ns, verdict.state, now)
    db.execute(
        "UPDATE images SET verdict = ?, judged_by = 'audit', problem = ?, "
        "audited_at = max(coalesce(audited_at, ''), ?) WHERE id = ?",
        [verdict.state.value, result.reading.problem, now, row.id],
    )
    replace_findings(db, row.id, "audit", verdict.findings)
    return result


def share_damage(
    db: sqlite3.Connection, row: ImageRow, result: AuditResult, same_bytes: SameBytes
) -> None:
    """Let what was found inside of files hold for every image with the same bytes on record."""
    reading, now = result.reading, utc_now()
    if reading.inside_report is None or not result.verdict.is_confirmed:
        return
    is_wrong = worst(reading.inside) is Severity.ERROR
    if not same_bytes.is_first(row.key_digest, is_wrong=is_wrong):
        return
    keep_damage_inside(db, row, reading.inside if is_wrong else (), now)
    if not is_wrong and result.verdict.state is not State.SOUND:
        return
    others = db.execute(
        "SELECT id FROM images WHERE id != ? AND id IN "
        "(SELECT image_id FROM fixity WHERE digest = ? AND replaced_at IS NULL) "
        f"AND id NOT IN (SELECT image_id FROM waiting) AND {_OTHERS[is_wrong]}",
        [row.id, row.key_digest],
    ).fetchall()
    for other in images.by_ids(db, [one for (one,) in others]).values():
        if is_wrong:
            tell_known_damage(db, other, now)
            continue
        db.execute(
            "UPDATE images SET verdict = ?, judged_by = 'scan' WHERE id = ?", [RECORDED, other.id]
        )
        replace_findings(db, other.id, "audit", ())


_OTHERS = {
    True: "verdict IN ('recorded', 'sound')",
    False: "judged_by = 'audit' AND verdict = 'damaged'",
}
"""Which images with the same bytes are said to be otherwise, where these are wrong inside."""


def confirm_record(db: sqlite3.Connection, row: ImageRow, mtime_ns: int) -> None:
    """Confirm that a file was read whole and has the bytes on record: nothing waits any more."""
    was_damaged = any(
        db.execute(
            "SELECT 1 FROM findings WHERE image_id = ? AND origin = 'scan' AND severity = ?",
            [row.id, Severity.ERROR],
        )
    )
    db.execute(
        "UPDATE images SET mtime_ns = ?, presence = 'here', verdict = ?, judged_by = 'scan', "
        "problem = '' WHERE id = ?",
        [mtime_ns, State.DAMAGED.value if was_damaged else RECORDED, row.id],
    )
    db.execute(
        "UPDATE fixity SET confirmed_at = max(confirmed_at, ?) "
        "WHERE image_id = ? AND replaced_at IS NULL",
        [utc_now(), row.id],
    )
    replace_findings(db, row.id, "audit", ())
    drop_waiting(db, row.id)
    tell_known_damage_of(db, row.id, row.digests.values())


def _add_digests(
    catalogue: Catalogue, row: ImageRow, result: AuditResult, algorithms: Iterable[str], now: str
) -> tuple[str, ...]:
    digests = result.reading.digests
    if digests is None:
        return ()
    new = tuple(name for name in algorithms if name not in row.digests)
    catalogue.db.executemany(
        "INSERT INTO fixity (image_id, algorithm, digest, size, recorded_at, confirmed_at) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [(row.id, name, digests.whole[name], digests.size, now, now) for name in new],
    )
    return new
