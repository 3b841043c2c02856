"""Writing what was read of an image. Each function works within the caller's transaction."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from mediashelf.catalogue.listing import count_entries, fold
from mediashelf.catalogue.rows import RECORDED, keep_path, keep_text
from mediashelf.catalogue.scanning.reading import Reading
from mediashelf.findings import Finding
from mediashelf.integrity.fixity.comparing import Observed, State, compare_with_record


class RecordPlace(NamedTuple):
    """Where an image's file is: shelf, path relative to it, and the file system that holds it."""

    shelf_id: int
    path: str
    file_system: str


def record_new(db: sqlite3.Connection, place: RecordPlace, reading: Reading, now: str) -> int:
    """Record an image that has no record yet; returns its id."""
    image_id = db.execute(
        """
        INSERT INTO images (shelf_id, path, size, mtime_ns, file_system, presence, verdict,
                            is_sheet, scanned_at)
        VALUES (?, ?, ?, ?, ?, 'here', '', ?, ?) RETURNING id
        """,
        [
            place.shelf_id,
            keep_path(place.path),
            reading.size,
            reading.mtime_ns,
            place.file_system,
            reading.is_sheet,
            now,
        ],
    ).fetchone()[0]
    record_contents(db, image_id, reading, now)
    return int(image_id)


def record_contents(db: sqlite3.Connection, image_id: int, reading: Reading, now: str) -> None:
    """Put what was read in the place of what was known; an older digest is kept as replaced.

    A file that could not be read whole changes nothing but its verdict.
    """
    if reading.problem or reading.is_changing or reading.digests is None:
        verdict = (State.CHANGING if reading.is_changing else State.UNREADABLE).value
        db.execute(
            "UPDATE images SET verdict = ?, judged_by = 'scan', problem = ?, presence = 'here', "
            "scanned_at = ? WHERE id = ?",
            [verdict, reading.problem, now, image_id],
        )
        return
    db.execute(
        """
        UPDATE images SET size = ?, mtime_ns = ?, presence = 'here', verdict = ?,
            judged_by = 'scan', problem = '', looks_raw = ?, entry_count = ?, scanned_at = ?
        WHERE id = ?
        """,
        [
            reading.size,
            reading.mtime_ns,
            verdict_of(reading),
            reading.looks_raw,
            count_entries(reading.listing),
            now,
            image_id,
        ],
    )
    _record_digests(db, image_id, reading, now)
    _record_structure(db, image_id, reading)
    replace_findings(db, image_id, "scan", reading.findings)
    replace_findings(db, image_id, "audit", ())


def verdict_of(reading: Reading) -> str:
    """Return what is known right after reading: recorded, unless the structure shows damage."""
    state = compare_with_record("", Observed(digests=reading.digests), None, reading.findings).state
    return RECORDED if state is State.SOUND else state.value


def _record_digests(db: sqlite3.Connection, image_id: int, reading: Reading, now: str) -> None:
    digests = reading.digests
    assert digests is not None
    in_force = dict(
        db.execute(
            "SELECT algorithm, digest FROM fixity WHERE image_id = ? AND replaced_at IS NULL",
            [image_id],
        ).fetchall()
    )
    is_same = any(in_force.get(name) == digest for name, digest in digests.whole.items())
    if not is_same:
        db.execute(
            "UPDATE fixity SET replaced_at = ? WHERE image_id = ? AND replaced_at IS NULL",
            [now, image_id],
        )
    for algorithm, digest in digests.whole.items():
        db.execute(
            """
            INSERT INTO fixity (image_id, algorithm, digest, size, recorded_at, confirmed_at)
            VALUES (?, ?, ?, ?, ?, ?)
            ON CONFLICT (image_id, algorithm) WHERE replaced_at IS NULL
            DO UPDATE SET confirmed_at = excluded.confirmed_at
            """,
            [image_id, algorithm, digest, digests.size, now, now],
        )
    db.execute(
        "INSERT OR REPLACE INTO block_digests (image_id, block_size, digests) VALUES (?, ?, ?)",
        [image_id, digests.block_size, digests.blocks],
    )


def _record_structure(db: sqlite3.Connection, image_id: int, reading: Reading) -> None:
    db.execute("DELETE FROM volumes WHERE image_id = ?", [image_id])
    db.execute("DELETE FROM target_verdicts WHERE image_id = ?", [image_id])
    db.execute("DELETE FROM disc_facts WHERE image_id = ?", [image_id])
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
    _record_entries(db, image_id, reading)


def _record_entries(db: sqlite3.Connection, image_id: int, reading: Reading) -> None:
    old_names = db.execute(
        "SELECT DISTINCT name_id FROM entries WHERE image_id = ?", [image_id]
    ).fetchall()
    db.execute("DELETE FROM entries WHERE image_id = ?", [image_id])
    names = {name: (fold(name), keep_text(name)) for name in {e.name for e in reading.listing}}
    db.executemany(
        "INSERT INTO names (folded, name) VALUES (?, ?) ON CONFLICT DO NOTHING", names.values()
    )
    folders = {path: _folder_id(db, path) for path in {e.folder for e in reading.listing}}
    db.executemany(
        "INSERT INTO entries (image_id, number, folder_id, name_id, size, marks, twin) VALUES "
        "(?, ?, ?, (SELECT id FROM names WHERE folded = ? AND name = ?), ?, ?, ?)",
        (
            (image_id, number, folders[entry.folder], *names[entry.name], *entry[2:])
            for number, entry in enumerate(reading.listing)
        ),
    )
    forget_unused_names(db, old_names)


def _folder_id(db: sqlite3.Connection, path: str) -> int:
    kept = keep_text(path)
    known = db.execute("SELECT id FROM folders WHERE path = ?", [kept]).fetchone()
    if known is None:
        known = db.execute(
            "INSERT INTO folders (folded, path) VALUES (?, ?) RETURNING id", [fold(path), kept]
        ).fetchone()
    return int(known[0])


def forget_unused_names(db: sqlite3.Connection, name_ids: Iterable[tuple[int]]) -> None:
    """Remove those of the names that no entry uses any more."""
    db.executemany(
        "DELETE FROM names WHERE id = ? "
        "AND NOT EXISTS (SELECT 1 FROM entries WHERE name_id = names.id)",
        name_ids,
    )


def forget_unused_folders(db: sqlite3.Connection) -> None:
    """Remove the paths of folders that no entry is in any more; looks at every entry."""
    db.execute("DELETE FROM folders WHERE id NOT IN (SELECT folder_id FROM entries)")


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
