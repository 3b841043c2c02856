"""Images that changed places: decided once all files that are to be read were read.

A reading is put off while its bytes, or its place, may belong to a record whose own
file is yet to be read: whether a name was taken over, or two names were swapped, is
seen only then.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterator

from msgspec import Struct, field

from mediashelf.catalogue.rows import ImageRow, keep_path, utc_now
from mediashelf.catalogue.scanning.events import Recorded, note_event
from mediashelf.catalogue.scanning.record import move_record, record_contents
from mediashelf.catalogue.scanning.scan_plan import Event, Job
from mediashelf.catalogue.scanning.scan_record import (
    ScanMemory,
    is_as_recorded,
    record_reading,
    recorded_at,
    where,
)
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.twins import Twins

Settled = tuple[Job, Reading, Recorded]


class PutOff(Struct):
    """The readings that wait for others, and ``pending``, the images that are to be read."""

    pending: frozenset[int]
    readings: list[tuple[Job, Reading]] = field(default_factory=list)

    def takes(self, twins: Twins, job: Job, reading: Reading) -> bool:
        """Keep a reading for later, if what it means depends on others; tell whether it was."""
        digest = reading.key_digest
        if not digest or job.accept or not self.pending:
            return False
        if job.row is not None and job.row.digests:
            waits = not is_as_recorded(job.row, reading)
        else:
            waits = not self.pending.isdisjoint(twins.of(digest).twins.keys())
        if waits:
            self.readings.append((job, reading))
        return waits

    def settle(
        self, catalogue: Catalogue, memory: ScanMemory, scan_begun_at: str
    ) -> Iterator[Settled]:
        """Record what was put off, and yield each with what became of it."""
        changed = {
            job.row.id: (job, reading)
            for job, reading in self.readings
            if job.row is not None and job.row.digests
        }
        owners = _Owners(catalogue, changed.keys())
        for cycle in _cycles(owners, changed):
            yield from _swap(catalogue, cycle, scan_begun_at)
            owners.moved |= {row.id for _, _, row in cycle}
        memory.twins.forget()  # whose places were exchanged
        rest = [
            (job, reading)
            for job, reading in self.readings
            if job.row is None or job.row.id not in owners.moved
        ]
        # Files at places without a record come first: what has moved there leaves its place.
        for job, reading in sorted(rest, key=lambda pair: pair[0].row is not None):
            with transaction(catalogue.db):
                result = _taken_over(catalogue, job, reading, owners, scan_begun_at)
                if result is not None:
                    memory.twins.note(result.image_id)
                else:
                    result = record_reading(
                        catalogue, job, reading, memory, scan_begun_at=scan_begun_at
                    )
            yield job, reading, result


class _Owners:
    """The images whose bytes changed, by the digest on record; ``moved`` followed theirs."""

    def __init__(self, catalogue: Catalogue, changed: Collection[int]) -> None:
        self._catalogue = catalogue
        self._changed = changed
        self._rows: dict[str, deque[ImageRow]] = {}
        self.moved: set[int] = set()

    def of(self, digest: str, but: int | None = None) -> ImageRow | None:
        """Return the first image with these bytes on record, by shelf and path, ``but`` aside."""
        rows = self._rows.get(digest)
        if rows is None:
            alike = self._catalogue.images_by_digest(digest)
            rows = self._rows[digest] = deque(row for row in alike if row.id in self._changed)
        while rows and rows[0].id in self.moved:
            rows.popleft()
        return next((row for row in rows if row.id != but and row.id not in self.moved), None)


def _taken_over(
    catalogue: Catalogue,
    job: Job,
    reading: Reading,
    owners: _Owners,
    scan_begun_at: str,
) -> Recorded | None:
    """Let a record whose place now has other bytes follow its own bytes here, if it can."""
    if recorded_at(catalogue, job.place) is not None:
        return None
    row = owners.of(reading.key_digest)
    if row is None:
        return None
    owners.moved.add(row.id)
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


def _cycles(owners: _Owners, changed: dict[int, tuple[Job, Reading]]) -> Iterator[Cycle]:
    """Yield the images that changed places among each other: place, bytes, and whose they are."""
    holds: dict[int, ImageRow] = {}  # the row of a place, and the row whose bytes are there
    for place_id, (_, reading) in changed.items():
        owner = owners.of(reading.key_digest, place_id)
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
