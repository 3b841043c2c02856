"""Recording one image that a scan read: new, a copy, moved, changed, or just confirmed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from mediashelf.catalogue.history import Happening, forget_missed, keep
from mediashelf.catalogue.rows import ImageRow, Presence, ShelfRow, keep_path, utc_now
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.catalogue.scanning.reading import Reading
from mediashelf.catalogue.scanning.record import (
    RecordPlace,
    move_record,
    record_contents,
    record_new,
)
from mediashelf.catalogue.scanning.walk import SeenImage
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Severity
from mediashelf.text import count_text


class Event(StrEnum):
    """What a scan found out about one image that it read."""

    NEW = "new"
    COPY = "copy"  # new, and another image has the same bytes
    MOVED = "moved"
    CHANGED = "changed"
    CONFIRMED = "confirmed"  # only the date differed, the bytes are as recorded
    UNREADABLE = "unreadable"
    CHANGING = "changing"
    VANISHED = "vanished"  # between the walk and the reading


@dataclass(frozen=True, slots=True)
class Job:
    """One image to read; ``row`` is its record where it has one."""

    shelf: ShelfRow
    seen: SeenImage
    row: ImageRow | None


_HAPPENINGS = {
    Event.NEW: Happening.RECORDED,
    Event.COPY: Happening.RECORDED,
    Event.MOVED: Happening.MOVED,
    Event.CHANGED: Happening.CHANGED,
    Event.CONFIRMED: Happening.CONFIRMED,
    Event.UNREADABLE: Happening.UNREADABLE,
}


def record_reading(
    catalogue: Catalogue, job: Job, reading: Reading, *, scan_begun_at: str
) -> tuple[Event, str]:
    """Write what was read of one image; return what happened to it, and what is to be said of that.

    Which event it is depends on what is on record at this moment. The caller has a
    transaction.
    """
    if reading.is_missing:
        return Event.VANISHED, ""
    image_id, event, detail = _write_reading(catalogue, job, reading)
    if event is Event.MOVED:
        forget_missed(catalogue.db, image_id, scan_begun_at)
    if event in _HAPPENINGS:
        words = _history_words(event, detail, reading)
        keep(catalogue.db, image_id, _HAPPENINGS[event], "scan", words)
    return event, detail


def _history_words(event: Event, detail: str, reading: Reading) -> str:
    errors = sum(finding.severity is Severity.ERROR for finding in reading.findings)
    lead = {Event.COPY: "the same bytes as ", Event.MOVED: "was "}.get(event, "")
    words = [lead + detail] if detail else []
    if errors and event is not Event.UNREADABLE:
        words.append(f"{count_text(errors, 'error')} inside")
    return "; ".join(words)


def _write_reading(catalogue: Catalogue, job: Job, reading: Reading) -> tuple[int, Event, str]:
    """Write one reading, and return whose record it is, what happened, and what is to be said."""
    db, now = catalogue.db, utc_now()
    place = RecordPlace(job.shelf.id, job.seen.path, job.seen.file_system)
    image_id = _recorded_id(catalogue, place)
    digest = _digest(reading)
    alike = catalogue.images_by_digest(digest) if digest else []
    others = [row for row in _by_likeness(alike, job) if row.id != image_id]
    origin = next((row for row in others if image_id is None and _has_left(row)), None)
    if origin is not None:
        move_record(db, origin.id, place, reading.mtime_ns)
        record_contents(db, origin.id, reading, now)
        return origin.id, Event.MOVED, f"{origin.shelf}: {origin.path}"
    known_id = image_id
    if image_id is None:
        image_id = record_new(db, place, reading, now)
    else:
        db.execute("UPDATE images SET file_system = ? WHERE id = ?", [place.file_system, image_id])
        record_contents(db, image_id, reading, now)
    if reading.is_changing:
        return image_id, Event.CHANGING, ""
    if reading.problem:
        return image_id, Event.UNREADABLE, reading.problem
    if len(alike) > len(others):
        return image_id, Event.CONFIRMED, ""
    if known_id is not None and job.row is not None and job.row.digests:
        return image_id, Event.CHANGED, ""
    if others:
        return image_id, Event.COPY, f"{others[0].shelf}: {others[0].path}"
    return image_id, Event.NEW, ""


def _digest(reading: Reading) -> str:
    if reading.digests is None or reading.problem or reading.is_changing or not reading.size:
        return ""  # empty files are all alike; that makes none of them a copy
    return next(iter(reading.digests.whole.values()))


def _recorded_id(catalogue: Catalogue, place: RecordPlace) -> int | None:
    row = catalogue.db.execute(
        "SELECT id FROM images WHERE shelf_id = ? AND path = ?",
        [place.shelf_id, keep_path(place.path)],
    ).fetchone()
    return None if row is None else int(row[0])


def _by_likeness(twins: list[ImageRow], job: Job) -> list[ImageRow]:
    """Order the images that this may have been: the same name, then the same shelf, come first."""
    name = Path(job.seen.path).name
    return sorted(
        twins, key=lambda row: (Path(row.path).name != name, row.shelf != job.shelf.name, row.id)
    )


def _has_left(row: ImageRow) -> bool:
    """Tell whether a record's file is no longer at its place, so that the record may follow it.

    An image that is away may still be there. A file of the same size there was
    perhaps only touched, so it keeps its record.
    """
    if row.presence is Presence.AWAY:
        return False
    try:
        return row.file.stat().st_size != row.size
    except (FileNotFoundError, NotADirectoryError):
        # A shelf that this run did not walk may have gone away since.
        return (
            row.presence is Presence.MISSING
            or FileSystems().nearest(os.path.realpath(row.file)) == row.file_system
        )
    except OSError:
        return False
