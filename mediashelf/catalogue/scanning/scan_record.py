"""Recording one image that a scan read: new, a copy, moved, confirmed, or waiting."""

from __future__ import annotations

import sqlite3

from mediashelf.catalogue import images
from mediashelf.catalogue.images import Namesakes
from mediashelf.catalogue.records.described import carry_description
from mediashelf.catalogue.rows import ImageRow, keep_path, utc_now
from mediashelf.catalogue.scanning.events import Recorded, note_event
from mediashelf.catalogue.scanning.origins import (
    contradicted,
    copy_record,
    find_departed,
    has_left,
    take_over_verdict,
    tell_known_damage_of,
)
from mediashelf.catalogue.scanning.other_folder import ShelvesThere
from mediashelf.catalogue.scanning.record import (
    move_record,
    record_beside,
    record_contents,
    record_new,
    record_unread,
)
from mediashelf.catalogue.scanning.scan_plan import Event, Job
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.twins import Twin, Twins
from mediashelf.integrity.fixity.comparing import Observed, compare_with_record


class ScanMemory:
    """What a scan has found out of the catalogue and its shelves, and asks no more."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self.namesakes = Namesakes(db)
        self.twins = Twins(db)
        self.shelves = ShelvesThere()


def record_reading(
    catalogue: Catalogue,
    job: Job,
    reading: Reading,
    memory: ScanMemory,
    *,
    scan_begun_at: str,
) -> Recorded:
    """Write what was read of one image; return what happened to it.

    Which event it is depends on what is on record at this moment. The caller has a
    transaction. ``memory`` is that of the scan.
    """
    if reading.is_missing:
        return Recorded(0, Event.VANISHED)
    result = _write_reading(catalogue, job, reading, memory, utc_now())
    if reading.digests is not None:
        tell_known_damage_of(catalogue.db, result.image_id, reading.digests.whole.values())
    memory.twins.note(result.image_id)
    if result.event is Event.NEW and reading.packages is not None:
        # Loaded only here: most scans find nothing to record.
        from mediashelf.catalogue.packages.looked_into import PLAIN
        from mediashelf.catalogue.packages.store import record_packages

        kept, unopened = reading.packages.kept, reading.packages.unopened
        record_packages(catalogue.db, reading.key_digest, PLAIN, kept, unopened)
    note_event(catalogue, result, reading, scan_begun_at)
    return result


def _write_reading(
    catalogue: Catalogue,
    job: Job,
    reading: Reading,
    memory: ScanMemory,
    now: str,
) -> Recorded:
    """Write one reading, and return whose record it is, what happened, and what is to be said."""
    db, place = catalogue.db, job.place
    own = recorded_at(catalogue, place)
    if reading.is_unread:
        return _write_unread(catalogue, own, place, reading, now)
    digest = reading.key_digest
    own_id = own.id if own is not None else None
    alike, at = memory.twins.of(digest), (job.shelf.name, place.path)
    other = alike.likeliest(*at, own_id)
    if own is not None:
        db.execute("UPDATE images SET file_system = ? WHERE id = ?", [place.file_system, own.id])
    if own is not None and own.digests:
        return _write_known(catalogue, job, own, reading, other, now)
    origin = find_departed(db, alike, *at, memory.shelves) if own is None else None
    if origin is not None:
        move_record(db, origin.id, place, reading.mtime_ns)
        record_contents(db, origin.id, reading, now)
        return Recorded(origin.id, Event.MOVED, where(origin), where(origin))
    source = None
    if other is None:
        source = contradicted(db, job.shelf.name, place.path, reading, memory.namesakes)
    if source is not None and not job.accept:
        there = memory.shelves
        return _write_contradiction(catalogue, place, own, source, reading, there, now)
    if own is None:
        image_id = record_new(db, place, reading, now)
    else:
        image_id = own.id
        record_contents(db, image_id, reading, now)
    if other is not None:
        take_over_verdict(db, image_id, alike.damaged(*at, own_id), now)
        # One whose own bytes differ now has these on record.
        settled = alike.settled(*at, own_id)
        words = where(settled) if settled is not None else f"{where(other)}, as recorded"
        return Recorded(image_id, Event.COPY, words)
    return Recorded(image_id, Event.NEW)


def _write_unread(
    catalogue: Catalogue, own: ImageRow | None, place: RecordPlace, reading: Reading, now: str
) -> Recorded:
    if own is None:
        image_id = record_new(catalogue.db, place, reading, now)
    else:
        image_id = own.id
        record_unread(catalogue.db, image_id, reading, now)
    if reading.is_changing:
        return Recorded(image_id, Event.CHANGING)
    return Recorded(image_id, Event.UNREADABLE, reading.problem)


def _write_known(
    catalogue: Catalogue,
    job: Job,
    own: ImageRow,
    reading: Reading,
    other: Twin | None,
    now: str,
) -> Recorded:
    """Confirm the record; or keep beside it what differs, unless the keeper accepts that."""
    assert reading.digests is not None
    if is_as_recorded(own, reading):
        record_contents(catalogue.db, own.id, reading, now)
        return Recorded(own.id, Event.CONFIRMED)
    was_seen = own.waiting is None or own.waiting.has(reading.digests.whole)
    if job.accept and was_seen:
        carry_description(catalogue.db, own.key_digest, reading.digests.whole)
        record_contents(catalogue.db, own.id, reading, now)
        return Recorded(own.id, Event.ACCEPTED)
    words = f"the bytes of {where(other)}" if other is not None else ""
    if job.accept:
        words = "not accepted: these are not the bytes that the last scan or audit saw"
    return _write_beside(catalogue, own, reading, words, now)


def _write_contradiction(
    catalogue: Catalogue,
    place: RecordPlace,
    own: ImageRow | None,
    source: ImageRow,
    reading: Reading,
    there: ShelvesThere,
    now: str,
) -> Recorded:
    """Let the record come along to bytes that contradict it."""
    db = catalogue.db
    origin = ""
    if own is None and has_left(db, source, there):
        db.execute(
            "UPDATE images SET shelf_id = ?, path = ?, file_system = ?, presence = 'here' "
            "WHERE id = ?",
            [place.shelf_id, keep_path(place.path), place.file_system, source.id],
        )
        image_id, origin = source.id, where(source)
    else:
        image_id = copy_record(db, source.id, place, own.id if own is not None else None)
    row = images.by_ids(db, [image_id])[image_id]
    words = f"by the record of {where(source)}"
    result = _write_beside(catalogue, row, reading, words, now)
    return Recorded(image_id, result.event, result.detail, origin)


def _write_beside(
    catalogue: Catalogue, row: ImageRow, reading: Reading, words: str, now: str
) -> Recorded:
    record = images.fixity_record(catalogue.db, row)
    verdict = compare_with_record(
        where(row),
        Observed(reading.size, reading.mtime_ns, reading.digests),
        record,
        reading.findings,
        structure_read=reading.structure_read,
    )
    record_beside(catalogue.db, row.id, reading, verdict, now)
    return Recorded(row.id, Event.CHANGED, words)


def is_as_recorded(row: ImageRow, reading: Reading) -> bool:
    """Tell whether the bytes read are those on record, by every digest that both have."""
    whole = reading.digests.whole if reading.digests is not None else {}
    common = row.digests.keys() & whole.keys()
    return bool(common) and all(row.digests[name] == whole[name] for name in common)


def recorded_at(catalogue: Catalogue, place: RecordPlace) -> ImageRow | None:
    """Return the image on record at a place."""
    found = catalogue.db.execute(
        "SELECT id FROM images WHERE shelf_id = ? AND path = ?",
        [place.shelf_id, keep_path(place.path)],
    ).fetchone()
    return None if found is None else images.by_ids(catalogue.db, found)[found[0]]


def where(row: ImageRow | Twin) -> str:
    """Name an image for people."""
    return f"{row.shelf}: {row.path}"
