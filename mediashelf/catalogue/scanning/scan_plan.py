"""A scan as values: what it is to read, and what became of it."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct, field

from mediashelf.catalogue.records.reading import algorithms_on_record
from mediashelf.catalogue.rows import ImageRow, ShelfRow, utc_now
from mediashelf.catalogue.scanning.walk import RecordPlace, SeenImage
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

    ``is_other`` is True where the folder is there and has nothing of the shelf, ``is_refused``
    where it is there and cannot be looked into.
    ``missing`` and ``returned`` name images whose presence changed with this scan;
    ``waiting`` are those whose bytes are known to differ from their record. ``others`` counts
    the files that are not images by the end of their names. ``unread_counts`` are images on
    record in folders that could not be looked into.
    """

    shelf: ShelfRow
    away: str = ""
    is_other: bool = False
    is_refused: bool = False
    jobs: list[Job] = field(default_factory=list)
    unchanged: int = 0
    waiting: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    returned: list[str] = field(default_factory=list)
    missing_before: int = 0
    away_count: int = 0
    unread_folders: dict[str, str] = field(default_factory=dict)
    unread_counts: dict[str, int] = field(default_factory=dict)
    links: dict[str, bool] = field(default_factory=dict)
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
