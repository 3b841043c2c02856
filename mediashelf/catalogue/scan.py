"""Scanning shelves: record what is new, changed, moved or gone, and read nothing twice.

``plan_scan`` looks at names, sizes and dates only; ``run_scan`` reads what the
plan names and commits each image by itself, so a run that is stopped or killed
keeps what it finished, and the next run does the rest.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from mediashelf.catalogue.presence import Absences, FileSystems
from mediashelf.catalogue.reading import WORKERS, Reading, read_image, read_many
from mediashelf.catalogue.record import Place, move_record, record_contents, record_new
from mediashelf.catalogue.rows import CHANGING, ImageRow, Presence, ShelfRow, keep_path, utc_now
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.walk import SeenImage, Walk, walk_folder
from mediashelf.integrity.fixity import State


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


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one image: ``detail`` names the copy's twin, or where it moved from."""

    job: Job
    event: Event
    reading: Reading
    detail: str = ""


@dataclass(slots=True)
class ShelfPlan:
    """What the walk of one shelf found. ``away`` says why the shelf is not there, or is empty.

    ``missing`` and ``returned`` name images whose presence changed with this scan.
    """

    shelf: ShelfRow
    away: str = ""
    jobs: list[Job] = field(default_factory=list)
    unchanged: int = 0
    missing: list[str] = field(default_factory=list)
    returned: list[str] = field(default_factory=list)
    missing_before: int = 0
    away_count: int = 0
    unread_folders: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class ScanPlan:
    """The walks of all shelves; run_scan takes it."""

    shelves: list[ShelfPlan] = field(default_factory=list)

    @property
    def jobs(self) -> list[Job]:
        """Everything to read: files without a record first, so that moves are seen as such."""
        jobs = [job for plan in self.shelves for job in plan.jobs]
        return sorted(jobs, key=lambda job: job.row is not None)

    @property
    def bytes_to_read(self) -> int:
        """The size of all files to read."""
        return sum(job.seen.size for plan in self.shelves for job in plan.jobs)


def plan_scan(catalogue: Catalogue, shelves: Sequence[ShelfRow]) -> ScanPlan:
    """Walk the shelves, record which images are here, missing or away, and name what to read."""
    file_systems = FileSystems()
    plan = ScanPlan()
    for shelf in shelves:
        rows = {row.path: row for row in catalogue.images(shelf=shelf.name)}
        walk = walk_folder(shelf.root, file_systems, rows)
        plan.shelves.append(_plan_shelf(catalogue, shelf, rows, walk, file_systems))
    return plan


def _plan_shelf(
    catalogue: Catalogue,
    shelf: ShelfRow,
    rows: dict[str, ImageRow],
    walk: Walk,
    file_systems: FileSystems,
) -> ShelfPlan:
    plan = ShelfPlan(shelf, away=walk.problem, unread_folders=walk.unread_folders)
    found: list[tuple[str, str]] = []
    updates: list[tuple[str, str, int]] = []  # presence, file system, id
    for path, seen in walk.images.items():
        row = rows.get(path)
        if row is None or _must_be_read(row, seen):
            plan.jobs.append(Job(shelf, seen, row))
            continue
        plan.unchanged += 1
        found.append((row.file_system, seen.file_system))
        if row.presence is not Presence.HERE:
            plan.returned.append(path)
        if row.presence is not Presence.HERE or row.file_system != seen.file_system:
            updates.append((Presence.HERE.value, seen.file_system, row.id))
    absences = Absences(shelf.root, file_systems, found)
    for path, row in rows.items():
        if path in walk.images:
            continue
        presence, file_system = absences.judge(path, row.file_system)
        if walk.problem or _is_in_unread(path, walk.unread_folders):
            presence, file_system = Presence.AWAY, row.file_system
        if presence is Presence.AWAY:
            plan.away_count += 1
        elif row.presence is Presence.MISSING:
            plan.missing_before += 1
        else:
            plan.missing.append(path)
        if (presence, file_system) != (row.presence, row.file_system):
            updates.append((presence.value, file_system, row.id))
    if not walk.problem and plan.away_count and not walk.images:
        plan.away = "another file system is in its place, with none of its images"
    _write_presence(catalogue, shelf, updates, is_here=not plan.away)
    return plan


def _must_be_read(row: ImageRow, seen: SeenImage) -> bool:
    return (
        (row.size, row.mtime_ns) != (seen.size, seen.mtime_ns)
        or row.verdict in (State.UNREADABLE, CHANGING)
        or not row.digests
    )


def _is_in_unread(path: str, unread_folders: dict[str, str]) -> bool:
    return any(path.startswith(f"{folder}/") for folder in unread_folders)


def _write_presence(
    catalogue: Catalogue, shelf: ShelfRow, updates: list[tuple[str, str, int]], *, is_here: bool
) -> None:
    with transaction(catalogue.db):
        catalogue.db.executemany(
            "UPDATE images SET presence = ?, file_system = ? WHERE id = ?", updates
        )
        if is_here:
            catalogue.db.execute(
                "UPDATE shelves SET scanned_at = ? WHERE id = ?", [utc_now(), shelf.id]
            )


def run_scan(
    catalogue: Catalogue,
    plan: ScanPlan,
    *,
    workers: int = WORKERS,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Generator[Outcome, None, None]:
    """Read what the plan names and yield each image's outcome once it is safely recorded."""

    def read(job: Job, count: Callable[[int], None]) -> Reading:
        path = job.shelf.root / job.seen.path
        algorithms = tuple(job.row.digests if job.row is not None else ()) or ("xxh3_128",)
        return read_image(path, is_sheet=job.seen.is_sheet, algorithms=algorithms, on_bytes=count)

    with closing(read_many(plan.jobs, read, workers=workers, on_bytes=on_bytes)) as readings:
        for job, reading in readings:
            with transaction(catalogue.db):
                event, detail = _record(catalogue, job, reading)
            yield Outcome(job, event, reading.without_listing(), detail)


def _record(catalogue: Catalogue, job: Job, reading: Reading) -> tuple[Event, str]:
    """Write one reading; which event it is depends on what is on record at this moment."""
    if reading.is_missing:
        return Event.VANISHED, ""
    db = catalogue.db
    now = utc_now()
    place = Place(job.shelf.id, job.seen.path, job.seen.file_system)
    image_id = _recorded_id(catalogue, place)
    digest = _digest(reading)
    alike = catalogue.images_by_digest(digest) if digest else []
    others = [row for row in _by_likeness(alike, job) if row.id != image_id]
    origin = next((row for row in others if image_id is None and _has_left(row)), None)
    if origin is not None:
        move_record(db, origin.id, place, reading.mtime_ns)
        record_contents(db, origin.id, reading, now)
        return Event.MOVED, f"{origin.shelf}: {origin.path}"
    if image_id is None:
        record_new(db, place, reading, now)
    else:
        db.execute("UPDATE images SET file_system = ? WHERE id = ?", [place.file_system, image_id])
        record_contents(db, image_id, reading, now)
    if reading.is_changing:
        return Event.CHANGING, ""
    if reading.problem:
        return Event.UNREADABLE, reading.problem
    if len(alike) > len(others):
        return Event.CONFIRMED, ""
    if image_id is not None and job.row is not None and job.row.digests:
        return Event.CHANGED, ""
    if others:
        return Event.COPY, f"{others[0].shelf}: {others[0].path}"
    return Event.NEW, ""


def _digest(reading: Reading) -> str:
    if reading.digests is None or reading.problem or reading.is_changing or not reading.size:
        return ""  # empty files are all alike; that makes none of them a copy
    return next(iter(reading.digests.whole.values()))


def _recorded_id(catalogue: Catalogue, place: Place) -> int | None:
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
