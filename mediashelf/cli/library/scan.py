"""``mediashelf scan``: record what is new, changed, moved and gone."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import click

from mediashelf.catalogue.scanning.findings import scan_findings
from mediashelf.catalogue.scanning.scan import (
    Event,
    ScanOutcome,
    ScanPlan,
    ShelfPlan,
    plan_scan,
    run_scan,
)
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import catalogue_option, fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped
from mediashelf.errors import CatalogueError
from mediashelf.findings import Finding, Severity, worst
from mediashelf.text import count_text, size_text

NAMED_AT_MOST = 20  # images of one event and shelf that are named; the rest are counted

_QUIET_EVENTS = frozenset({Event.CHANGED, Event.UNREADABLE, Event.CHANGING, Event.VANISHED})


@click.command(
    epilog="""
\b
Examples:
  mediashelf scan
  mediashelf scan card
  mediashelf scan --json > scan.json

\b
What counts as an image: .iso, .udf and .cue by name; .img, .bin and .raw when
they begin like a disc or a cue sheet of the same name is beside them.
"""
)
@click.argument("shelf_names", nargs=-1, metavar="[SHELF]...")
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def scan(
    shelf_names: tuple[str, ...],
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Record the images on the shelves named, or on all.

    Each new or changed image is read once: its volumes, the names of its files,
    a digest of the whole and one of every MiB. Files whose size and date are as
    recorded are not read. A file that was moved keeps its record. Images of a
    shelf that is not plugged in are away, and keep theirs. Ctrl-C keeps what is
    done; the next scan does the rest.
    """
    with open_catalogue(catalogue_path) as catalogue:
        named = {row.id: row for row in map(catalogue.shelf, shelf_names)}
        shelves = list(named.values()) or catalogue.shelves()
        if not shelves:
            raise CatalogueError(
                "there is no shelf to scan yet; register one with: mediashelf shelf add FOLDER"
            )
        started = time.monotonic()
        plan = plan_scan(catalogue, shelves)
        outcomes: list[ScanOutcome] = []
        try:
            with (
                progress("scanning", total=plan.bytes_to_read, quiet=quiet) as on_bytes,
                closing(run_scan(catalogue, plan, on_bytes=on_bytes)) as running,
            ):
                outcomes.extend(running)
        except KeyboardInterrupt:
            if not as_json:
                _say(plan, outcomes, [], quiet, time.monotonic() - started)
            raise
    findings = scan_findings(plan, outcomes)
    if as_json:
        say_json(_document(plan, outcomes, findings))
    else:
        _say(plan, outcomes, findings, quiet, time.monotonic() - started)
    exit_for(findings, fail_on)


def _say(
    plan: ScanPlan,
    outcomes: Sequence[ScanOutcome],
    findings: Sequence[Finding],
    quiet: bool,
    seconds: float,
) -> None:
    for shelf_plan in plan.shelves:
        of_shelf = [each for each in outcomes if each.job.shelf.id == shelf_plan.shelf.id]
        _say_shelf(shelf_plan, of_shelf, quiet)
    if findings:
        say_findings(findings, limit=NAMED_AT_MOST)
    if quiet:
        return
    read = sum(each.reading.digests.size for each in outcomes if each.reading.digests)
    say(f"{count_text(len(outcomes), 'image')} read, {size_text(read)} in {seconds:.1f} s.")
    damaged = sum(worst(each.reading.findings) is Severity.ERROR for each in outcomes)
    if damaged:
        say_wrapped(
            f"{damaged:,} of these {'has' if damaged == 1 else 'have'} errors "
            "inside; see them with: mediashelf list --findings"
        )


def _say_shelf(plan: ShelfPlan, outcomes: Sequence[ScanOutcome], quiet: bool) -> None:
    if plan.away:
        say_wrapped(
            f"{plan.shelf.name}: away ({plan.away}); {count_text(plan.away_count, 'image')} "
            f"{'keeps its record' if plan.away_count == 1 else 'keep their records'}"
        )
        return
    counts = {**_counts(plan, outcomes), "gone before": plan.missing_before}
    words = [f"{count:,} {word}" for word, count in counts.items() if count]
    if not quiet:
        say_wrapped(f"{plan.shelf.name}: {', '.join(words) or 'no images'}")
    for event in Event:
        if quiet and event not in _QUIET_EVENTS:
            continue
        lines = [
            f"{event.value}: {each.job.seen.path}{_detail(each)}"
            for each in outcomes
            if each.event is event
        ]
        _say_some(lines)
    _say_some([f"missing: {path}" for path in plan.missing])
    if not quiet:
        _say_some([f"back: {path}" for path in plan.returned])


def _say_some(lines: list[str]) -> None:
    for line in lines[:NAMED_AT_MOST]:
        say_wrapped(line, indent=2)
    if len(lines) > NAMED_AT_MOST:
        say(f"  … and {len(lines) - NAMED_AT_MOST:,} more")


def _detail(outcome: ScanOutcome) -> str:
    if outcome.event is Event.COPY:
        return f" (the same bytes as {outcome.detail})"
    if outcome.event is Event.MOVED:
        return f" (was {outcome.detail})"
    return ""


def _counts(plan: ShelfPlan, outcomes: Sequence[ScanOutcome]) -> dict[str, int]:
    events = Counter(each.event for each in outcomes)
    moved_away = {each.detail for each in outcomes if each.event is Event.MOVED}
    missing = [path for path in plan.missing if f"{plan.shelf.name}: {path}" not in moved_away]
    return {
        "unchanged": plan.unchanged,
        **{event.value: events[event] for event in Event},
        "missing": len(missing),
        "away": plan.away_count,
    }


def _document(
    plan: ScanPlan, outcomes: Sequence[ScanOutcome], findings: Sequence[Finding]
) -> dict[str, Any]:
    return document(
        "scan",
        shelves=[
            chosen(
                each.shelf,
                *("name", "root"),
                is_here=not each.away,
                away_reason=each.away,
                counts=_counts(
                    each, [one for one in outcomes if one.job.shelf.id == each.shelf.id]
                ),
                missing=each.missing,
                returned=each.returned,
            )
            for each in plan.shelves
        ],
        images=[
            chosen(
                each,
                *("event", "detail"),
                shelf=each.job.shelf.name,
                path=each.job.seen.path,
                size=each.reading.size,
                digests=each.reading.digests.whole if each.reading.digests else {},
                findings=each.reading.findings,
            )
            for each in outcomes
        ],
        findings=findings,
    )
