"""Whose bytes are these? An image at a place without a record, known again by its contents.

A record follows its bytes to another place. Bytes that contradict a record (they wait
beside it, or have the name, size and label of an image that is no longer there) take
that record with them too: what was found decayed does not become new elsewhere.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable

from mediashelf.catalogue import images
from mediashelf.catalogue.history import Happening, keep
from mediashelf.catalogue.images import Namesakes
from mediashelf.catalogue.records.damage_inside import has_damage_inside
from mediashelf.catalogue.records.waiting import ids_waiting_with
from mediashelf.catalogue.rows import RECORDED, ImageRow, Presence, keep_path, utc_now
from mediashelf.catalogue.scanning.other_folder import ShelvesThere, other_folder
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.catalogue.scanning.record import replace_findings
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.twins import Group, likeness
from mediashelf.integrity.fixity.comparing import damage_inside
from mediashelf.integrity.fixity.states import State
from mediashelf.system import real_path


def find_departed(
    db: sqlite3.Connection, alike: Group, shelf: str, path: str, there: ShelvesThere
) -> ImageRow | None:
    """Return the likeliest of these images whose file has left its place, or None.

    One that is at its place is not asked about again in a scan: there may be thousands.
    """
    while (row := alike.absent(shelf, path)) is not None:
        if has_left(db, row, there):
            return row
        alike.stays(row.id)
    return None


def _likeliest(rows: Collection[ImageRow], shelf: str, path: str) -> ImageRow:
    return min(rows, key=lambda row: likeness(row, shelf, path))


def has_left(db: sqlite3.Connection, row: ImageRow, there: ShelvesThere) -> bool:
    """Tell whether a record's file is no longer at its place, so that the record may follow it.

    An image that is away may still be there. A file of the same size there was
    perhaps only touched, so it keeps its record.
    """
    if row.presence is Presence.AWAY:
        return False
    sizes = {row.size, row.waiting.size} if row.waiting is not None else {row.size}
    try:
        return row.file.stat().st_size not in sizes
    except (FileNotFoundError, NotADirectoryError):
        # A shelf that this run did not walk may have gone away since.
        return row.presence is Presence.MISSING or (
            FileSystems().nearest(real_path(row.file)) == row.file_system
            and not _is_shelf_away(db, row, there)
        )
    except OSError:
        return False


def _is_shelf_away(db: sqlite3.Connection, row: ImageRow, there: ShelvesThere) -> bool:
    """Tell whether another folder is in the place of an image's shelf; its images are away then."""
    shelf_id, presence = db.execute(
        "SELECT shelf_id, presence FROM images WHERE id = ?", [row.id]
    ).fetchone()
    if presence == "away":
        return True  # as was noted for another image of the shelf, after this row was read
    if there.is_known(shelf_id):
        return False
    ids = db.execute(
        "SELECT id FROM images WHERE presence = 'here' AND shelf_id = ?", [shelf_id]
    ).fetchall()
    rows = images.by_ids(db, [one for (one,) in ids])
    if not other_folder(db, row.root, list(rows.values()), FileSystems()):
        there.note(shelf_id, row.root, rows.values())
        return False
    # Noted at once, so that the next file with a record there need not ask again.
    db.executemany("UPDATE images SET presence = 'away' WHERE id = ?", ids)
    return True


def contradicted(
    db: sqlite3.Connection, shelf: str, path: str, reading: Reading, namesakes: Namesakes
) -> ImageRow | None:
    """Return the image whose record these bytes contradict, or None.

    It is one beside whose record the same bytes wait, or one that is not at its place
    and has the name, size and label of this one.
    """
    digests = reading.digests
    if digests is None or not digests.size:
        return None
    ids = [one for digest in digests.whole.values() for one in ids_waiting_with(db, digest)]
    if ids:
        return _likeliest(images.by_ids(db, ids).values(), shelf, path)
    labels = tuple(label for _, label in reading.volumes)
    alike = [
        row
        for row in namesakes.find_absent(digests.size, path.rpartition("/")[2])
        if row.digests.keys() & digests.whole.keys()
        and (row.labels == labels or not reading.volumes)
    ]
    return _likeliest(alike, shelf, path) if alike else None


_COPIED = {
    "fixity": "algorithm, digest, size, recorded_at, confirmed_at",
    "block_digests": "block_size, digests",
    "disc_facts": "packed",
    "volumes": "number, kind, label",
    "bytes_inside": "name, size, digest",
    "entries": "number, folder_id, name_id, size, marks, twin",
    "waiting": "size, mtime_ns, digests, seen_at, judged, judged_at",
}
"""Tables of a record, and what is copied of each; the history stays with its image."""


def copy_record(
    db: sqlite3.Connection, source_id: int, place: RecordPlace, image_id: int | None
) -> int:
    """Give a file at another place the record of an image; returns the file's id.

    ``image_id`` is the row of that place if there is one; it has no record of its own.
    """
    about = "size, mtime_ns, is_sheet, looks_raw, entry_count"
    if image_id is None:
        (image_id,) = db.execute(
            f"INSERT INTO images (shelf_id, path, file_system, presence, verdict, scanned_at, "
            f"{about}) SELECT ?, ?, ?, 'here', '', scanned_at, {about} FROM images WHERE id = ? "
            "RETURNING id",
            [place.shelf_id, keep_path(place.path), place.file_system, source_id],
        ).fetchone()
    else:
        db.execute(
            f"UPDATE images SET ({about}) = (SELECT {about} FROM images WHERE id = ?) WHERE id = ?",
            [source_id, image_id],
        )
    for table, columns in _COPIED.items():
        in_force = " AND replaced_at IS NULL" if table == "fixity" else ""
        db.execute(
            f"INSERT INTO {table} (image_id, {columns}) SELECT ?, {columns} FROM {table} "
            f"WHERE image_id = ?{in_force}",
            [image_id, source_id],
        )
    _copy_findings(db, source_id, image_id, "scan")
    return int(image_id)


def take_over_verdict(db: sqlite3.Connection, image_id: int, twin_id: int | None, now: str) -> None:
    """Let what an audit found damaged inside hold for the same bytes at another place too."""
    if twin_id is None:
        return
    db.execute(
        "UPDATE images SET (verdict, judged_by, audited_at) = (SELECT verdict, 'audit', "
        "coalesce(nullif(audited_at, ''), ?) FROM images WHERE id = ?) WHERE id = ?",
        [now, twin_id, image_id],
    )
    _copy_findings(db, twin_id, image_id, "audit")


_CALLED_GOOD = (RECORDED, State.SOUND.value)


def tell_known_damage(db: sqlite3.Connection, row: ImageRow, now: str) -> None:
    """Call an image damaged that was called good, where the next audit would.

    Within the caller's transaction. What the keeper acknowledged of it stays acknowledged.
    """
    if row.waiting is not None or row.verdict not in _CALLED_GOOD:
        return
    record = images.fixity_record(db, row)
    found = () if record is None else damage_inside(row.where, record, ())
    if not found:
        return
    db.execute(
        "UPDATE images SET verdict = ?, judged_by = 'audit' WHERE id = ?",
        [State.DAMAGED.value, row.id],
    )
    replace_findings(db, row.id, "audit", found)
    keep(db, row.id, Happening.DAMAGED, "audit", found[0].message, at=now)


def tell_known_damage_of(db: sqlite3.Connection, image_id: int, digests: Iterable[str]) -> None:
    """Do so for an image that has bytes with these digests on record now."""
    if has_damage_inside(db, digests):
        tell_known_damage(db, images.by_ids(db, [image_id])[image_id], utc_now())


def _copy_findings(db: sqlite3.Connection, source_id: int, image_id: int, origin: str) -> None:
    db.execute("DELETE FROM findings WHERE image_id = ? AND origin = ?", [image_id, origin])
    db.execute(
        "INSERT INTO findings (image_id, origin, number, severity, rule, detail) "
        "SELECT ?, origin, number, severity, rule, detail FROM findings "
        "WHERE image_id = ? AND origin = ?",
        [image_id, source_id, origin],
    )
