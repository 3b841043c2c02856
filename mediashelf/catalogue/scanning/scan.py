"""Scanning shelves: record what is new, moved or gone, and read nothing twice.

A record is never replaced: what differs from it is kept beside it, until the keeper
accepts that.

``plan_scan`` looks at names, sizes and dates only; ``run_scan`` reads what the
plan names and commits whole images, a few small ones together, so a run that is stopped
or killed keeps what it finished, and the next run does the rest.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from mediashelf.catalogue.history import Happening, keep
from mediashelf.catalogue.records.acknowledged import acknowledged_of
from mediashelf.catalogue.records.reading import algorithms_on_record
from mediashelf.catalogue.rows import ImageRow, Presence, ShelfRow, utc_now
from mediashelf.catalogue.scanning.other_folder import other_folder
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.scanning.scan_record import Event, Job, Recorded, record_reading
from mediashelf.catalogue.scanning.swaps import PutOff, Settled
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import SeenImage, Walk, walk_folder
from mediashelf.catalogue.scanning.workers import WORKERS, read_together
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.integrity.fixity.acknowledged import with_acknowledged
from mediashelf.integrity.fixity.comparing import State

if TYPE_CHECKING:  # most scans find nothing to read
    from mediashelf.catalogue.scanning.reading import LookForPackages

__all__ = ["Event", "Job", "ScanOutcome", "ScanPlan", "ShelfPlan", "plan_scan", "run_scan"]


@dataclass(frozen=True, slots=True)
class ScanOutcome:
    """What became of one image: ``detail`` names the copy's twin, or where it moved from.

    ``origin`` names the place that its record came from, where it came along.
    """

    job: Job
    event: Event
    reading: Reading
    detail: str = ""
    origin: str = ""


@dataclass(slots=True)
class ShelfPlan:
    """What the walk of one shelf found. ``away`` says why the shelf is not there, or is empty.

    ``is_other`` is True where the folder is there and has nothing of the shelf.
    ``missing`` and ``returned`` name images whose presence changed with this scan;
    ``waiting`` are those whose bytes are known to differ from their record. ``others`` counts
    the files that are not images by the end of their names.
    """

    shelf: ShelfRow
    away: str = ""
    is_other: bool = False
    jobs: list[Job] = field(default_factory=list)
    unchanged: int = 0
    waiting: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    returned: list[str] = field(default_factory=list)
    missing_before: int = 0
    away_count: int = 0
    unread_folders: dict[str, str] = field(default_factory=dict)
    others: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class ScanPlan:
    """The walks of all shelves; run_scan takes it."""

    shelves: list[ShelfPlan] = field(default_factory=list)
    begun_at: str = field(default_factory=utc_now)

    @property
    def jobs(self) -> list[Job]:
        """Everything to read: files without a record first, so that moves are seen as such."""
        jobs = [job for plan in self.shelves for job in plan.jobs]
        return sorted(jobs, key=lambda job: job.row is not None)

    @property
    def bytes_to_read(self) -> int:
        """The size of all files to read."""
        return sum(job.seen.size for plan in self.shelves for job in plan.jobs)


def plan_scan(
    catalogue: Catalogue,
    shelves: Sequence[ShelfRow],
    on_shelf: Callable[[ShelfRow], None] = lambda shelf: None,
) -> ScanPlan:
    """Walk the shelves, record which images are here, missing or away, and name what to read.

    ``on_shelf`` is called before each, as a share may take its time. A shelf that cannot be
    walked does not keep the others from it.
    """
    file_systems = FileSystems()
    plan = ScanPlan()
    for shelf in shelves:
        on_shelf(shelf)
        rows = {row.path: row for row in catalogue.images(shelf=shelf.name)}
        other = other_folder(catalogue.db, shelf.root, list(rows.values()), file_systems)
        try:
            walk = Walk(problem=other) if other else walk_folder(shelf.root, file_systems, rows)
        except OSError as error:
            walk = Walk(problem=error.strerror or str(error))
        shelf_plan = _plan_shelf(catalogue, shelf, rows, walk, file_systems)
        shelf_plan.is_other = bool(other)
        plan.shelves.append(shelf_plan)
    return plan


def _plan_shelf(
    catalogue: Catalogue,
    shelf: ShelfRow,
    rows: dict[str, ImageRow],
    walk: Walk,
    file_systems: FileSystems,
) -> ShelfPlan:
    plan = ShelfPlan(
        shelf, away=walk.problem, unread_folders=walk.unread_folders, others=walk.others
    )
    found: list[tuple[str, str]] = []
    updates: list[tuple[str, str, int]] = []  # presence, file system, id
    news: list[tuple[int, Happening]] = []
    for path, seen in walk.images.items():
        row = rows.get(path)
        if row is None or _must_be_read(row, seen):
            plan.jobs.append(Job(shelf, seen, row))
            continue
        if row.waiting is None:
            plan.unchanged += 1
        else:
            plan.waiting.append(path)
        found.append((row.file_system, seen.file_system))
        if row.presence is not Presence.HERE:
            plan.returned.append(path)
        if row.presence is Presence.MISSING:
            news.append((row.id, Happening.RETURNED))
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
            news.append((row.id, Happening.MISSING))
        if (presence, file_system) != (row.presence, row.file_system):
            updates.append((presence.value, file_system, row.id))
    if not walk.problem and plan.away_count and not walk.images:
        plan.away = "another file system is in its place, with none of its images"
    _write_presence(catalogue, shelf, updates, news, is_here=not plan.away)
    return plan


def _must_be_read(row: ImageRow, seen: SeenImage) -> bool:
    known = row.waiting or row
    return (
        (known.size, known.mtime_ns) != (seen.size, seen.mtime_ns)
        or row.verdict in (State.UNREADABLE, State.CHANGING)
        or not row.digests
    )


def _is_in_unread(path: str, unread_folders: dict[str, str]) -> bool:
    return any(path.startswith(f"{folder}/") for folder in unread_folders)


def _write_presence(
    catalogue: Catalogue,
    shelf: ShelfRow,
    updates: list[tuple[str, str, int]],
    news: list[tuple[int, Happening]],
    *,
    is_here: bool,
) -> None:
    with transaction(catalogue.db):
        for image_id, happening in news:
            keep(catalogue.db, image_id, happening, "scan")
        catalogue.db.executemany(
            "UPDATE images SET presence = ?, file_system = ? WHERE id = ?", updates
        )
        if is_here:
            catalogue.db.execute(
                "UPDATE shelves SET scanned_at = max(coalesce(scanned_at, ''), ?) WHERE id = ?",
                [utc_now(), shelf.id],
            )


def run_scan(
    catalogue: Catalogue,
    plan: ScanPlan,
    *,
    workers: int = WORKERS,
    look_for_packages: LookForPackages | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
    on_file: Callable[[str], None] = lambda path: None,
) -> Generator[ScanOutcome, None, None]:
    """Read what the plan names and yield each image's outcome once it is safely recorded.

    ``look_for_packages`` is asked of each image at a place without a record, while it is open
    anyway; what it finds is recorded with the image. ``on_file`` gets the path of each file that
    is begun, from the threads that read.
    """
    if not plan.jobs:
        return
    # Loaded only here: most scans find nothing to read.
    from mediashelf.catalogue.scanning.raw_reading import RawAudits
    from mediashelf.catalogue.scanning.reading import read_image

    raw_audits = RawAudits()

    def read(job: Job, count: Callable[[int], None]) -> Reading:
        path = job.shelf.root / job.seen.path
        on_file(job.seen.path)
        algorithms = algorithms_on_record(job.row.digests if job.row is not None else ())
        return read_image(
            path,
            is_sheet=job.seen.is_sheet,
            algorithms=algorithms or ("xxh3_128",),
            raw_audits=raw_audits,
            look_for_packages=look_for_packages if job.row is None else None,
            on_bytes=count,
        )

    put_off = PutOff(frozenset(job.row.id for job in plan.jobs if job.row is not None))
    reading_on = read_together(
        plan.jobs, read, workers=workers, size_of=lambda job: job.seen.size, on_bytes=on_bytes
    )
    with closing(reading_on) as batches:
        for batch in batches:
            for settled in _record(catalogue, batch, put_off, plan.begun_at):
                yield _outcome(catalogue, *settled)
    for settled in put_off.settle(catalogue, plan.begun_at):
        yield _outcome(catalogue, *settled)


def _record(
    catalogue: Catalogue, batch: Sequence[tuple[Job, Reading]], put_off: PutOff, begun_at: str
) -> list[Settled]:
    """Record readings together; where that fails, those before the one that it fails at stay."""
    put_off_before = len(put_off.readings)
    try:
        with transaction(catalogue.db):
            return [
                (job, reading, record_reading(catalogue, job, reading, scan_begun_at=begun_at))
                for job, reading in batch
                if not put_off.takes(catalogue, job, reading)
            ]
    except sqlite3.Error:
        if len(batch) == 1:
            raise
        del put_off.readings[put_off_before:]
    settled = []
    for one in batch:
        settled += _record(catalogue, [one], put_off, begun_at)
    return settled


_OF_BYTES_ON_RECORD = (Event.NEW, Event.COPY, Event.MOVED, Event.SWAPPED, Event.CONFIRMED)


def _outcome(catalogue: Catalogue, job: Job, reading: Reading, result: Recorded) -> ScanOutcome:
    reading = reading.without_listing()
    if reading.findings and result.event in _OF_BYTES_ON_RECORD:
        known = acknowledged_of(catalogue.db, result.image_id)
        reading = replace(reading, findings=with_acknowledged(reading.findings, known))
    return ScanOutcome(job, result.event, reading, result.detail, result.origin)
