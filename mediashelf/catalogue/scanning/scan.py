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

from msgspec.structs import replace

from mediashelf.catalogue.records.acknowledged import acknowledged_of
from mediashelf.catalogue.scanning.events import Recorded
from mediashelf.catalogue.scanning.reading.image import LookForPackages, read_image
from mediashelf.catalogue.scanning.reading.raw_sectors import RawAudits
from mediashelf.catalogue.scanning.scan_plan import Event, Job, ScanOutcome, ScanPlan
from mediashelf.catalogue.scanning.scan_record import ScanMemory, record_reading
from mediashelf.catalogue.scanning.swaps import PutOff, Settled
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.workers import WORKERS, Elsewhere, read_together
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.integrity.fixity.acknowledged import with_acknowledged
from mediashelf.integrity.fixity.ahead import DigestsAhead
from mediashelf.system import CAN_ASK_AHEAD, ask_ahead


def run_scan(
    catalogue: Catalogue,
    plan: ScanPlan,
    *,
    workers: int = WORKERS,
    look_for_packages: LookForPackages | None = None,
    ahead: DigestsAhead | None = None,
    elsewhere: Elsewhere[Job, Reading] | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
    on_file: Callable[[str], None] = lambda path: None,
) -> Generator[ScanOutcome, None, None]:
    """Read what the plan names and yield each image's outcome once it is safely recorded.

    ``look_for_packages`` is asked of each image at a place without a record, while it is open
    anyway; what it finds is recorded with the image. ``ahead`` may have begun some digests,
    of the first jobs; ``elsewhere`` may have images read by other processes. ``on_file``
    gets the path of each file that is begun here, from the threads that read.
    """
    if not plan.jobs:
        return
    raw_audits = RawAudits()

    def read(job: Job, count: Callable[[int], None]) -> Reading:
        path = job.file
        on_file(job.seen.path)
        return read_image(
            path,
            is_sheet=job.seen.is_sheet,
            algorithms=job.algorithms,
            raw_audits=raw_audits,
            look_for_packages=look_for_packages if job.row is None else None,
            begun=ahead.take(path) if ahead is not None else None,
            on_bytes=count,
        )

    memory = ScanMemory(catalogue.db)
    put_off = PutOff(frozenset(job.row.id for job in plan.jobs if job.row is not None))
    reading_on = read_together(
        plan.jobs,
        read,
        workers=workers,
        size_of=lambda job: job.seen.size,
        ask_ahead=_ask_ahead if CAN_ASK_AHEAD else None,
        elsewhere=elsewhere,
        on_bytes=on_bytes,
    )
    with closing(reading_on) as batches:
        for batch in batches:
            for settled in _record(catalogue, batch, put_off, memory, plan.begun_at):
                yield _outcome(catalogue, *settled)
    for settled in put_off.settle(catalogue, memory, plan.begun_at):
        yield _outcome(catalogue, *settled)


def _ask_ahead(job: Job) -> None:
    ask_ahead(job.file)


def _record(
    catalogue: Catalogue,
    batch: Sequence[tuple[Job, Reading]],
    put_off: PutOff,
    memory: ScanMemory,
    begun_at: str,
) -> list[Settled]:
    """Record readings together; where that fails, those before the one that it fails at stay."""
    put_off_before = len(put_off.readings)
    try:
        with transaction(catalogue.db):
            return [
                (
                    job,
                    reading,
                    record_reading(catalogue, job, reading, memory, scan_begun_at=begun_at),
                )
                for job, reading in batch
                if not put_off.takes(memory.twins, job, reading)
            ]
    except sqlite3.Error:
        memory.twins.forget()
        if len(batch) == 1:
            raise
        del put_off.readings[put_off_before:]
    settled = []
    for one in batch:
        settled += _record(catalogue, [one], put_off, memory, begun_at)
    return settled


_OF_BYTES_ON_RECORD = (Event.NEW, Event.COPY, Event.MOVED, Event.SWAPPED, Event.CONFIRMED)


def _outcome(catalogue: Catalogue, job: Job, reading: Reading, result: Recorded) -> ScanOutcome:
    reading = reading.without_listing()
    if reading.findings and result.event in _OF_BYTES_ON_RECORD:
        known = acknowledged_of(catalogue.db, result.image_id)
        reading = replace(reading, findings=with_acknowledged(reading.findings, known))
    return ScanOutcome(job, result.event, reading, result.detail, result.origin)
