"""Which images are due to be confirmed again, in what order, and how many fit into a night.

An image is due when it was not read whole and judged for some time. What is due
is read in the order of need: images never confirmed since they were recorded,
then the longest unconfirmed. An image that an audit found wrong counts from that
audit on: else it would be read again every night, and with it known, nothing new
would be learnt.

The budget is looked at between images. The first image is read whatever it takes,
so that one larger than a whole night gets its turn. Each further one is begun
only if it can be expected to end in time, by the speed at which images of its
shelf were read in this run; else it waits, and smaller ones after it are tried.
It has waited longest the next time, and comes first.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.rows import RECORDED, ImageRow, Presence
from mediashelf.integrity.fixity.states import State

_ANY = "~"
"""Later than every moment."""


class DuePlan(Struct, frozen=True):
    """What is due, most urgent first, and what was passed over.

    ``fresh`` counts images confirmed not long ago, ``away`` those that are not
    plugged in, ``unrecorded`` files that no scan has recorded. ``known_wrong`` are
    images that were found wrong not long ago, or known to be missing. ``made_at`` is the moment
    of the plan: what is on record for a later one is of a clock that was ahead.
    """

    jobs: tuple[AuditJob, ...]
    fresh: int = 0
    away: int = 0
    unrecorded: int = 0
    known_wrong: tuple[AuditJob, ...] = ()
    made_at: str = _ANY

    def read_at(self, job: AuditJob) -> str:
        """Return when an image was last read again, empty where it was not."""
        row = job.row
        return last_read(row, self.made_at) if row and was_read_again(row, self.made_at) else ""


def plan_due(jobs: Iterable[AuditJob], age: timedelta, *, now: datetime | None = None) -> DuePlan:
    """Return which of the jobs were not confirmed for ``age``, or ever, in the order of need."""
    moment = now or datetime.now(UTC)
    limit, latest = (each.strftime("%Y-%m-%dT%H:%M:%SZ") for each in (moment - age, moment))
    due: list[tuple[tuple[bool, str, str], AuditJob]] = []
    fresh = away = unrecorded = 0
    known_wrong: list[AuditJob] = []
    for job in jobs:
        row = job.row
        if row is None:
            unrecorded += 1
            continue
        read = last_read(row, latest)
        if job.other_folder:
            due.append(((False, "", job.where), job))
        elif job.presence is Presence.AWAY:
            away += 1
        elif job.presence is Presence.MISSING and row.presence is Presence.MISSING:
            known_wrong.append(job)
        elif not was_read_again(row, latest):
            due.append(((False, read, job.where), job))
        elif read <= limit or job.presence is Presence.MISSING:
            due.append(((True, read, job.where), job))
        elif row.verdict in (RECORDED, State.SOUND, State.UNRECORDED) or row.is_acknowledged:
            fresh += 1
        else:
            known_wrong.append(job)
    due.sort(key=lambda pair: pair[0])
    ordered = tuple(job for _, job in due)
    return DuePlan(ordered, fresh, away, unrecorded, tuple(known_wrong), latest)


def was_read_again(row: ImageRow, latest: str = _ANY) -> bool:
    """Return whether an image was confirmed or found wrong since its digest was recorded."""
    recorded, confirmed, audited = _moments(row, latest)
    # An audit may follow a scan within the second.
    return confirmed > recorded or bool(audited and audited >= recorded)


def last_read(row: ImageRow, latest: str = _ANY) -> str:
    """Return the moment of the last confirmation or audit; of the recording before any."""
    return max(_moments(row, latest))


def _moments(row: ImageRow, latest: str) -> list[str]:
    """Return when it was recorded, confirmed, audited; empty where a clock was ahead.

    What was kept by such a clock would else be fresh until that day.
    """
    moments = (row.recorded_at, row.confirmed_at, row.audited_at or "")
    return [moment if moment <= latest else "" for moment in moments]


class Budget:
    """Says which images may still be begun; for one reader, one image after the other.

    ``left`` are the jobs that were not begun, in the order in which they were asked for.
    """

    def __init__(self, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._end = clock() + seconds
        self._is_first = True
        self._started_at = 0.0
        self._work: dict[str, tuple[int, float]] = {}  # by shelf: bytes, seconds
        self.left: dict[Path, AuditJob] = {}

    def may_start(self, job: AuditJob) -> bool:
        """Return whether to begin with a job now; one that may not is kept in ``left``."""
        self._started_at = self._clock()
        if not job.size:
            return True
        may = self._is_first or self._started_at + self._expected(job) < self._end
        self._is_first = False
        if not may:
            self.left[job.path] = job
        return may

    def ended(self, job: AuditJob) -> None:
        """Learn how long the job that was begun last took."""
        taken = self._clock() - self._started_at
        for shelf in (_shelf(job), ""):  # the empty name stands for all shelves
            size, seconds = self._work.get(shelf, (0, 0.0))
            self._work[shelf] = (size + job.size, seconds + taken)

    def _expected(self, job: AuditJob) -> float:
        """Return the seconds that a job can be expected to take; 0 while nothing is known."""
        size, seconds = self._work.get(_shelf(job)) or self._work.get("", (0, 0.0))
        return job.size * seconds / size if size else 0.0


def _shelf(job: AuditJob) -> str:
    return job.row.shelf if job.row is not None else str(job.path.parent)
