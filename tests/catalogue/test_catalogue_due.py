"""What is due: the order of need, and a budget of time that a fake clock measures."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from msgspec.structs import replace

from made_library import DATE, Library, overwrite, tide_image, write
from mediashelf.catalogue.auditing import audit
from mediashelf.catalogue.auditing.audit import run_audit
from mediashelf.catalogue.auditing.due import Budget, plan_due
from mediashelf.catalogue.auditing.names import AuditJob, plan_audit
from mediashelf.catalogue.rows import Presence
from mediashelf.catalogue.scanning.values import Reading
from report_samples import image_row

NOW = datetime(2026, 11, 25, 3, 0, tzinfo=UTC)
AGE = timedelta(days=180)


def ago(days: float) -> str:
    return (NOW - timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")


ROW = image_row("x.iso", 1000)._replace(
    scanned_at=ago(400), audited_at=ago(10), recorded_at=ago(400), confirmed_at=ago(10)
)


def job(
    name: str, size: int = 1000, *, presence: Presence = Presence.HERE, **more: object
) -> AuditJob:
    row = ROW._replace(path=name, size=size, **more)  # type: ignore[arg-type]
    return AuditJob(Path("/home") / name, name, row, presence, size if presence == "here" else 0)


def confirmed(name: str, days: float, size: int = 1000, **more: object) -> AuditJob:
    return job(name, size, confirmed_at=ago(days), audited_at=ago(days), **more)


def never(name: str, recorded: float, size: int = 1000, **more: object) -> AuditJob:
    at = ago(recorded)
    return job(name, size, recorded_at=at, confirmed_at=at, audited_at=None, **more)


def due_names(jobs: list[AuditJob]) -> list[str]:
    return [one.where for one in plan_due(jobs, AGE, now=NOW).jobs]


def test_never_confirmed_first_then_the_longest_unconfirmed() -> None:
    jobs = [
        confirmed("181 days", 181),
        confirmed("fresh", 179),
        never("recorded yesterday", 1),
        confirmed("a year", 365),
        never("recorded long ago", 900),
        confirmed("180 days", 180),
    ]
    assert due_names(jobs) == [
        "recorded long ago",
        "recorded yesterday",
        "a year",
        "181 days",
        "180 days",
    ]
    assert plan_due(jobs, AGE, now=NOW).fresh == 1


def test_what_a_clock_that_was_ahead_confirmed_is_due() -> None:
    ahead = confirmed("ahead", -1500)
    recorded = job("recorded", recorded_at=ago(-2000), confirmed_at=ago(-2000), audited_at=None)
    plan = plan_due([confirmed("fresh", 1), ahead, recorded], AGE, now=NOW)
    assert [each.where for each in plan.jobs] == ["recorded", "ahead"]
    # What is said of when they were read does not say that day either.
    assert [plan.read_at(each) for each in plan.jobs] == ["", ""]
    # Once read with a right clock, it counts from then on.
    again = [
        confirmed("ahead", 0),
        job("recorded", recorded_at=ago(-2000), confirmed_at=ago(0), audited_at=ago(0)),
    ]
    assert plan_due(again, AGE, now=NOW).jobs == ()


def test_what_is_known_to_be_wrong_is_not_read_every_night() -> None:
    rotten = job("rotten", verdict="decayed", confirmed_at=ago(400), audited_at=ago(1))
    old = job("old and rotten", verdict="decayed", confirmed_at=ago(700), audited_at=ago(181))
    at_scan = never("cut when recorded", 1, verdict="truncated", judged_by="scan")
    unread = job("unread", recorded_at="", confirmed_at="", audited_at=None, verdict="unreadable")
    again = job(
        "unread again", recorded_at="", confirmed_at="", audited_at=ago(1), verdict="unreadable"
    )
    plan = plan_due([rotten, old, at_scan, unread, again], AGE, now=NOW)
    assert [one.where for one in plan.jobs] == ["unread", "cut when recorded", "old and rotten"]
    assert [one.where for one in plan.known_wrong] == ["rotten", "unread again"]


def test_what_is_not_here_takes_no_part_but_is_counted() -> None:
    jobs = [
        never("away", 900, presence=Presence.AWAY),
        job("news", presence=Presence.MISSING),
        AuditJob(Path("/home/new.iso"), "home: new.iso", None, Presence.HERE, 5),
    ]
    jobs += [replace(jobs[1], where="known", row=ROW._replace(presence=Presence.MISSING))]
    plan = plan_due(jobs, AGE, now=NOW)
    assert [one.where for one in plan.jobs] == ["news"]
    assert [one.where for one in plan.known_wrong] == ["known"]
    assert (plan.away, plan.unrecorded, plan.fresh) == (1, 1, 0)


class Clock:
    """A clock that only moves when somebody reads."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def read_within(
    budget: Budget, clock: Clock, jobs: list[AuditJob], speed: Callable[[AuditJob], float]
) -> list[str]:
    """Read what the budget allows, so many bytes a second."""
    read = []
    for one in jobs:
        if budget.may_start(one):
            clock.now += one.size / speed(one)
            budget.ended(one)
            read.append(one.where)
    return read


def test_nothing_is_begun_that_cannot_be_expected_to_end() -> None:
    clock = Clock()
    jobs = [never(name, 1, size) for name, size in [("a", 400), ("b", 500), ("c", 200), ("d", 90)]]
    budget = Budget(10, clock)
    assert read_within(budget, clock, jobs, lambda one: 100.0) == ["a", "b", "d"]
    assert clock.now == 1000 + 9.9
    assert [one.where for one in budget.left.values()] == ["c"]


def test_the_first_is_read_whatever_it_takes() -> None:
    clock = Clock()
    jobs = [never("huge", 1, 10_000), never("tiny", 1, 1)]
    budget = Budget(10, clock)
    assert read_within(budget, clock, jobs, lambda one: 100.0) == ["huge"]
    assert [one.where for one in budget.left.values()] == ["tiny"]


def test_missing_images_cost_nothing() -> None:
    clock = Clock()
    gone = job("gone", presence=Presence.MISSING)
    budget = Budget(10, clock)
    jobs = [gone, never("huge", 1, 10_000), gone, never("tiny", 1, 1)]
    assert read_within(budget, clock, jobs, lambda one: 100.0) == ["gone", "huge", "gone"]


def test_each_shelf_has_its_own_speed() -> None:
    """A slow share is not taken for as fast as the disk that was read before it."""
    clock = Clock()
    speed = {"home": 1000.0, "share": 10.0}
    jobs = [
        never("local", 9, 1000),
        never("remote", 8, 100, shelf="share"),
        never("remote too", 7, 100, shelf="share"),
        never("local too", 6, 1000),
    ]
    budget = Budget(14, clock)
    read = read_within(budget, clock, jobs, lambda one: speed[one.row.shelf if one.row else ""])
    assert read == ["local", "remote", "local too"]
    assert clock.now <= 1014


def test_an_audit_with_a_budget_leaves_the_rest_as_it_was(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(4):
        write(library.root / f"{number}.iso", tide_image(number, mebibytes=1), DATE)
    library.scan()
    clock = Clock()
    real = audit.read_image

    def read_slowly(path: Path, **more: object) -> Reading:
        clock.now += 4
        return real(path, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(audit, "read_image", read_slowly)
    overwrite(library.root / "1.iso", 1 << 20, b"rot")
    plan = plan_due(plan_audit(library.catalogue, []), AGE)
    budget = Budget(10, clock)
    results = list(run_audit(library.catalogue, plan.jobs, budget=budget))
    assert [one.job.row.path for one in results if one.job.row] == ["0.iso", "1.iso"]
    assert [one.name for one in budget.left] == ["2.iso", "3.iso"]
    assert list(library.states().values()) == ["sound", "decayed", "recorded", "recorded"]
    left = plan_due(plan_audit(library.catalogue, []), AGE)
    assert [one.path.name for one in left.jobs] == ["2.iso", "3.iso"]
    assert [one.path.name for one in left.known_wrong] == ["1.iso"]
    assert left.fresh == 1


def test_an_audit_within_the_second_of_the_scan_counts() -> None:
    just_now = job("x", recorded_at=ago(1), confirmed_at=ago(1), audited_at=ago(1))
    recorded_anew = job("y", recorded_at=ago(1), confirmed_at=ago(1), audited_at=ago(2))
    assert due_names([just_now, recorded_anew]) == ["y"]
