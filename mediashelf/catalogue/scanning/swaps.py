"""Images that changed places: decided once all files that are to be read were read.

A reading is put off while its bytes, or its place, may belong to a record whose own
file is yet to be read: whether a name was taken over, or two names were swapped, is
seen only then.
"""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct, field

from mediashelf.catalogue.images import Namesakes
from mediashelf.catalogue.rows import ImageRow, keep_path, utc_now
from mediashelf.catalogue.scanning.planning import Event, Job
from mediashelf.catalogue.scanning.record import move_record, record_contents
from mediashelf.catalogue.scanning.scan_record import (
    Recorded,
    is_as_recorded,
    note_event,
    readable_digest,
    record_reading,
    recorded_at,
    where,
)
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue

Settled = tuple[Job, Reading, Recorded]


class PutOff(Struct):
    """The readings that wait for others, and ``pending``, the images that are to be read."""

    pending: frozenset[int]
    readings: list[tuple[Job, Reading]] = field(default_factory=list)

    def takes(self, catalogue: Catalogue, job: Job, reading: Reading) -> bool:
        """Keep a reading for later, if what it means depends on others; tell whether it was."""
        digest = readable_digest(reading)
        if not digest or job.accept or not self.pending:
            return False
        if job.row is not None and job.row.digests:
            waits = not is_as_recorded(job.row, reading)
        else:
            rows = catalogue.images_by_digest(digest)
            waits = any(row.id in self.pending for row in rows)
        if waits:
            self.readings.append((job, reading))
        return waits

    def settle(
        self, catalogue: Catalogue, namesakes: Namesakes, scan_begun_at: str
    ) -> Iterator[Settled]:
        """Record what was put off, and yield each with what became of it."""
        changed = {
            job.row.id: (job, reading)
            for job, reading in self.readings
            if job.row is not None and job.row.digests
        }
        moved: set[int] = set()
        for cycle in _cycles(catalogue, changed):
            yield from _swap(catalogue, cycle, scan_begun_at)
            moved |= {row.id for _, _, row in cycle}
        rest = [
            (job, reading)
            for job, reading in self.readings
            if job.row is None or job.row.id not in moved
        ]
        # Files at places without a record come first: what has moved there leaves its place.
        for job, reading in sorted(rest, key=lambda pair: pair[0].row is not None):
            with transaction(catalogue.db):
                result = _taken_over(catalogue, job, reading, changed, moved, scan_begun_at)
                if result is None:
                    result = record_reading(
                        catalogue, job, reading, namesakes, scan_begun_at=scan_begun_at
                    )
            yield job, reading, result


def _taken_over(
    catalogue: Catalogue,
    job: Job,
    reading: Reading,
    changed: dict[int, tuple[Job, Reading]],
    moved: set[int],
    scan_begun_at: str,
) -> Recorded | None:
    """Let a record whose place now has other bytes follow its own bytes here, if it can."""
    if recorded_at(catalogue, job.place) is not None:
        return None
    rows = catalogue.images_by_digest(readable_digest(reading))
    row = next((row for row in rows if row.id in changed and row.id not in moved), None)
    if row is None:
        return None
    moved.add(row.id)
    result = _move(catalogue, job, reading, row, Event.MOVED)
    note_event(catalogue, result, reading, scan_begun_at)
    return result


def _move(
    catalogue: Catalogue, job: Job, reading: Reading, row: ImageRow, event: Event
) -> Recorded:
    move_record(catalogue.db, row.id, job.place, reading.mtime_ns)
    record_contents(catalogue.db, row.id, reading, utc_now())
    return Recorded(row.id, event, where(row), where(row))


Cycle = list[tuple[Job, Reading, ImageRow]]


def _cycles(catalogue: Catalogue, changed: dict[int, tuple[Job, Reading]]) -> Iterator[Cycle]:
    """Yield the images that changed places among each other: place, bytes, and whose they are."""
    holds: dict[int, ImageRow] = {}  # the row of a place, and the row whose bytes are there
    for place_id, (_, reading) in changed.items():
        rows = catalogue.images_by_digest(readable_digest(reading))
        owner = next((row for row in rows if row.id in changed and row.id != place_id), None)
        if owner is not None:
            holds[place_id] = owner
    seen: set[int] = set()
    for first in holds:
        cycle: list[int] = []
        place_id = first
        while place_id in holds and place_id not in seen:
            seen.add(place_id)
            cycle.append(place_id)
            place_id = holds[place_id].id
        if cycle and place_id in cycle:
            cycle = cycle[cycle.index(place_id) :]
            yield [(*changed[each], holds[each]) for each in cycle]


def _swap(catalogue: Catalogue, cycle: Cycle, scan_begun_at: str) -> Iterator[Settled]:
    settled: list[Settled] = []
    with transaction(catalogue.db):
        for _, _, row in cycle:  # out of the way first: no two images may be at one place
            aside = keep_path(f"{row.path}\n{row.id}")
            catalogue.db.execute("UPDATE images SET path = ? WHERE id = ?", [aside, row.id])
        for job, reading, row in cycle:
            result = _move(catalogue, job, reading, row, Event.SWAPPED)
            note_event(catalogue, result, reading, scan_begun_at)
            settled.append((job, reading, result))
    yield from settled
