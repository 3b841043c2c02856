"""Nights of confirming: the order is that of need, the budget is kept, nothing starves."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from mediashelf.catalogue.auditing.due import Budget, last_read, plan_due, was_read_again
from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.rows import ImageRow, Presence
from report_samples import image_row

START = datetime(2026, 1, 1, 3, 0, tzinfo=UTC)
SPEED = 100  # bytes a second, of every image


def moment(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def made_job(number: int, size: int, recorded: int, confirmed: int | None) -> AuditJob:
    """An image that was recorded and perhaps confirmed so many days before the start."""
    recorded_at = moment(START - timedelta(days=recorded))
    days = min(recorded, confirmed) if confirmed is not None else recorded
    row = image_row(f"{number}.iso", size)._replace(
        id=number,
        shelf=f"shelf {number % 2}",
        root=Path("/x"),
        scanned_at=recorded_at,
        recorded_at=recorded_at,
        confirmed_at=moment(START - timedelta(days=days)),
    )
    return AuditJob(row.file, f"{number:03}", row, Presence.HERE, size)


IMAGES = st.lists(
    st.tuples(st.integers(1, 5000), st.integers(0, 900), st.none() | st.integers(0, 900)),
    max_size=25,
).map(lambda rows: [made_job(number, *row) for number, row in enumerate(rows)])


def row_of(job: AuditJob) -> ImageRow:
    assert job.row is not None
    return job.row


@settings(derandomize=True, deadline=None)
@given(IMAGES, st.integers(0, 400))
def test_due_is_exactly_what_was_not_read_for_so_long_in_the_order_of_need(
    jobs: list[AuditJob], days: int
) -> None:
    plan = plan_due(jobs, timedelta(days=days), now=START)
    limit = moment(START - timedelta(days=days))
    wanted = {
        job.path
        for job in jobs
        if row_of(job).confirmed_at == row_of(job).recorded_at or row_of(job).confirmed_at <= limit
    }
    assert {job.path for job in plan.jobs} == wanted
    assert plan.fresh == len(jobs) - len(wanted)
    keys = [(was_read_again(row_of(job)), last_read(row_of(job))) for job in plan.jobs]
    assert keys == sorted(keys)
    shuffled = plan_due(reversed(jobs), timedelta(days=days), now=START)
    assert shuffled.jobs == plan.jobs


@settings(derandomize=True, deadline=None)
@given(IMAGES, st.integers(1, 60))
def test_every_image_is_confirmed_after_enough_nights_and_no_night_is_too_long(
    jobs: list[AuditJob], seconds: int
) -> None:
    images = {job.path: job for job in jobs}
    day = START
    for _ in range(len(jobs) + 1):
        plan = plan_due(images.values(), timedelta(days=200), now=day)
        if not plan.jobs:
            break
        clock = [0.0]
        budget = Budget(seconds, partial(clock.__getitem__, 0))
        read = []
        for job in plan.jobs:
            if budget.may_start(job):
                clock[0] += job.size / SPEED
                budget.ended(job)
                read.append(job)
                read_at = moment(day + timedelta(seconds=clock[0] + 1))
                row = row_of(job)._replace(confirmed_at=read_at)
                images[job.path] = replace(job, row=row)
        assert read[0] is plan.jobs[0]  # the one in greatest need is always read
        assert clock[0] <= max(seconds, read[0].size / SPEED) + 1e-6
        assert len(read) + len(budget.left) == len(plan.jobs)
        # What was left would not have fitted in the time that was left then.
        assert all(clock[0] + job.size / SPEED > seconds - 1e-6 or job in read for job in plan.jobs)
        day += timedelta(days=1)
    assert not plan_due(images.values(), timedelta(days=200), now=day).jobs
