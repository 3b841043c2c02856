"""What a scan is to read: the walk of each shelf compared with what is on record.

Light to load: most scans find nothing to read. Of an image on record no more is asked than
that takes; see :mod:`mediashelf.catalogue.records.stamps`.
"""

from __future__ import annotations

import os
from collections import ChainMap
from collections.abc import Callable, Collection, Mapping, Sequence
from enum import StrEnum
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct, field

from mediashelf.catalogue import images
from mediashelf.catalogue.history import Happening, keep
from mediashelf.catalogue.records.reading import algorithms_on_record
from mediashelf.catalogue.records.stamps import UNREAD, ImageOnRecord, known_images, stamps_of
from mediashelf.catalogue.rows import ImageRow, Presence, ShelfRow, utc_now
from mediashelf.catalogue.scanning.other_folder import other_folder
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.scanning.walk import RecordPlace, SeenImage, Walk, walk_folder
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.integrity.fixity.states import State

if TYPE_CHECKING:
    from mediashelf.catalogue.scanning.values import Reading


class Event(StrEnum):
    """What a scan found out about one image that it read."""

    NEW = "new"
    COPY = "copy"  # new, and another image has the same bytes
    MOVED = "moved"
    SWAPPED = "swapped"  # moved to a place whose image moved as well
    CHANGED = "changed"  # the bytes differ from the record, which stays
    ACCEPTED = "accepted"  # so they did, and the keeper made them the record
    CONFIRMED = "confirmed"  # only the date differed, the bytes are as recorded
    UNREADABLE = "unreadable"
    CHANGING = "changing"
    VANISHED = "vanished"  # between the walk and the reading

    @property
    def shown(self) -> str:
        """The event as people read it."""
        return State.CHANGED.shown if self is Event.CHANGED else self.value


class Job(Struct, frozen=True):
    """One image to read; ``row`` is its record where it has one.

    ``accept`` is True where the keeper said that the bytes are right as they are.
    """

    shelf: ShelfRow
    seen: SeenImage
    row: ImageRow | None
    accept: bool = False

    @property
    def file(self) -> Path:
        """The file as this system names it."""
        return self.shelf.root / self.seen.path

    @property
    def algorithms(self) -> tuple[str, ...]:
        """The digests to take: those on record, or the one that a new record begins with."""
        return algorithms_on_record(self.row.digests if self.row is not None else ()) or (
            "xxh3_128",
        )

    @property
    def place(self) -> RecordPlace:
        """Where the file is."""
        return RecordPlace(self.shelf.id, self.seen.path, self.seen.file_system)


class ScanOutcome(Struct, frozen=True):
    """What became of one image: ``detail`` names the copy's twin, or where it moved from.

    ``origin`` names the place that its record came from, where it came along.
    """

    job: Job
    event: Event
    reading: Reading
    detail: str = ""
    origin: str = ""


class ShelfPlan(Struct):
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


class ScanPlan(Struct):
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
        stamps = stamps_of(catalogue.db, shelf)
        others = known_images(catalogue.db, shelf, besides=stamps)
        other = _other_folder(catalogue, shelf, stamps, others, file_systems)
        left = stamps.copy()
        try:
            walk = Walk(problem=other)
            if not other:
                on_record = ChainMap[str, Any](left, others)
                walk = walk_folder(shelf.root, file_systems, on_record, left)
        except OSError as error:
            walk, left = Walk(problem=error.strerror or str(error)), stamps
        unchanged = stamps.keys() - left.keys() if left else stamps
        known = known_images(catalogue.db, shelf, besides=unchanged) if left else others
        shelf_plan = _plan_shelf(catalogue, shelf, known, walk, file_systems)
        shelf_plan.is_other = bool(other)
        plan.shelves.append(shelf_plan)
    return plan


def _other_folder(
    catalogue: Catalogue,
    shelf: ShelfRow,
    stamps: Collection[str],
    known: Mapping[str, ImageOnRecord],
    file_systems: FileSystems,
) -> str:
    """Say that another folder is in the shelf's place: asked only where no image is found."""
    here = (path for path, image in known.items() if image.presence != Presence.MISSING)
    if any(os.path.lexists(shelf.root / path) for path in chain(stamps, here)):
        return ""
    return other_folder(catalogue.db, shelf.root, catalogue.images(shelf=shelf.name), file_systems)


def _plan_shelf(
    catalogue: Catalogue,
    shelf: ShelfRow,
    known: dict[str, ImageOnRecord],
    walk: Walk,
    file_systems: FileSystems,
) -> ShelfPlan:
    plan = ShelfPlan(
        shelf,
        away=walk.problem,
        unchanged=walk.unchanged,
        unread_folders=walk.unread_folders,
        others=walk.others,
    )
    found = [(place, place) for place in walk.unchanged_on]
    updates: list[tuple[str, str, int]] = []  # presence, file system, id
    news: list[tuple[int, Happening]] = []
    to_read: list[tuple[SeenImage, int | None]] = []
    for path, seen in walk.images.items():
        row = known.get(path)
        if row is None or _must_be_read(row, seen):
            to_read.append((seen, None if row is None else row.id))
            continue
        if row.is_waiting:
            plan.waiting.append(path)
        else:
            plan.unchanged += 1
        found.append((row.file_system, seen.file_system))
        if row.presence != Presence.HERE:
            plan.returned.append(path)
        if row.presence == Presence.MISSING:
            news.append((row.id, Happening.RETURNED))
        if row.presence != Presence.HERE or row.file_system != seen.file_system:
            updates.append((Presence.HERE.value, seen.file_system, row.id))
    absences = Absences(shelf.root, file_systems, found)
    for path, row in known.items():
        if path in walk.images:
            continue
        presence, file_system = absences.judge(path, row.file_system)
        if walk.problem or _is_in_unread(path, walk.unread_folders):
            presence, file_system = Presence.AWAY, row.file_system
        if presence is Presence.AWAY:
            plan.away_count += 1
        elif row.presence == Presence.MISSING:
            plan.missing_before += 1
        else:
            plan.missing.append(path)
            news.append((row.id, Happening.MISSING))
        if (presence, file_system) != (row.presence, row.file_system):
            updates.append((presence.value, file_system, row.id))
    if not walk.problem and plan.away_count and not walk.images and not walk.unchanged:
        plan.away = "another file system is in its place, with none of its images"
    ids = [one for _, one in to_read if one is not None]
    rows = images.by_ids(catalogue.db, ids) if ids else {}
    plan.jobs = [
        Job(shelf, seen, None if image_id is None else rows[image_id]) for seen, image_id in to_read
    ]
    _write_presence(catalogue, shelf, updates, news, is_here=not plan.away)
    return plan


def _must_be_read(known: ImageOnRecord, seen: SeenImage) -> bool:
    return (
        known.size != seen.size
        or known.mtime_ns != seen.mtime_ns
        or known.verdict in UNREAD
        or not known.has_digests
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
