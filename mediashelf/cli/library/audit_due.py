"""``mediashelf audit --due``: its options, and what it says beside the audit itself.

``audit --json`` gets ``due`` then: an object with ``age`` and ``budget`` (seconds;
null without one), ``images`` (how many were due), ``fresh``, ``away`` and
``unrecorded`` (how many were passed over), ``known_wrong`` (names of images found
wrong before, which are not read again yet), and ``left``, those that the budget left
for the next time: ``where``, ``size`` and ``last_read_at``, null before the first time.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import click

from mediashelf.amounts import duration_text, parse_duration
from mediashelf.catalogue.rows import Presence
from mediashelf.cli.documents import chosen
from mediashelf.jobs.library.auditing import DueRun
from mediashelf.text import count_text, size_text

_NAMES_SHOWN = 3


def duration(context: click.Context, option: click.Parameter, value: str | None) -> int | None:
    """Understand the value of an option that is a span of time; return seconds."""
    if value is None:
        return None
    try:
        return parse_duration(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


due_option = click.option(
    "--due",
    metavar="AGE",
    callback=duration,
    help="Only images not confirmed within AGE, such as 180d: never confirmed ones first, "
    "then the longest unconfirmed.",
)

budget_option = click.option(
    "--budget",
    metavar="TIME",
    callback=duration,
    help="With --due: do not start an image that would probably overrun TIME, such as 30m; "
    "the first is always read. The rest is left for the next time.",
)


def due_dict(run: DueRun) -> dict[str, Any]:
    """Return the JSON form."""
    return {
        "age": run.age,
        "budget": run.seconds,
        "images": len(run.plan.jobs),
        **chosen(run.plan, "fresh", "away", "unrecorded"),
        "known_wrong": [job.where for job in run.plan.known_wrong],
        "left": [
            chosen(job, "where", "size", last_read_at=run.plan.read_at(job) or None)
            for job in run.left
        ],
    }


def due_lines(run: DueRun) -> Iterator[str]:
    """Yield sentences: how many images were due, what was left, and what was passed over."""
    plan = run.plan
    age = duration_text(run.age)
    total = len(plan.jobs) + plan.fresh
    if not plan.jobs:
        yield f"Nothing is due: {count_text(plan.fresh, 'image')} confirmed within {age}."
    else:
        is_gone = any(job.presence is Presence.MISSING for job in plan.jobs)
        yield (
            f"{len(plan.jobs):,} of {count_text(total, 'image')} {_was(len(plan.jobs))} due: not "
            f"confirmed for {age}, {'never, or missing now' if is_gone else 'or never'}."
        )
    if run.left and run.seconds is not None:
        size = size_text(sum(job.size for job in run.left))
        yield (
            f"Left for the next time, within {duration_text(run.seconds)}: "
            f"{count_text(len(run.left), 'image')}, {size}; first {_named(run)}."
        )
    if plan.known_wrong:
        names = ", ".join(job.where for job in plan.known_wrong[:_NAMES_SHOWN])
        more = ", …" if len(plan.known_wrong) > _NAMES_SHOWN else ""
        yield (
            f"Known to be wrong or missing, not read again yet: "
            f"{count_text(len(plan.known_wrong), 'image')} ({names}{more})."
        )
    if plan.away:
        yield f"Away: {count_text(plan.away, 'image')}, until plugged in."
    if plan.unrecorded:
        yield f"Not on record: {count_text(plan.unrecorded, 'image')}; mediashelf scan."


def _was(count: int) -> str:
    return "was" if count == 1 else "were"


def _named(run: DueRun) -> str:
    """Name the first image that is left, and when it was read."""
    job = run.left[0]
    moment = run.plan.read_at(job)
    return f"{job.where} ({f'last read {moment[:10]}' if moment else 'never confirmed'})"
