"""``mediashelf scan``: record what is new, moved and gone; keep beside it what changed."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.catalogue.rows import ShelfRow
from mediashelf.catalogue.scanning.planning import Event, ScanOutcome, ShelfPlan
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import catalogue_option, fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress, wait_for
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, tell
from mediashelf.findings import Severity, worst
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.library.scanning import Scan, plan_accepting, plan_shelves, read_planned
from mediashelf.text import count_text, first_text, size_text

_KINDS_NAMED = 6  # endings of files that are not images
NAMED_AT_MOST = 20  # images of one event and shelf that are named; the rest are counted

_QUIET_EVENTS = frozenset({Event.CHANGED, Event.UNREADABLE, Event.CHANGING, Event.VANISHED})

_WORDS = {"changed": State.CHANGED.shown_in_list, "waiting": "still waiting"}
"""How counts are called on screen, where that differs from JSON."""


@click.command(
    epilog="""
\b
Examples:
  mediashelf scan
  mediashelf scan card
  mediashelf scan --accept home/kiosk.iso
  mediashelf scan --packages
  mediashelf scan --json > scan.json

\b
What counts as an image: .iso, .udf and .cue by name, compressed ones (.iso.gz) and
archives (.zip, .7z, .rar, .tar.gz), floppies (.ima, .imz, .flp, .vfd); .img, .bin and
.raw when they begin like a disc or floppy, or a cue sheet of the same name is beside them.
"""
)
@click.argument("names", nargs=-1, metavar="[SHELF]...")
@click.option(
    "--accept",
    is_flag=True,
    help="The named images are right as they are now: make that the record. Of a shelf, those "
    "that are changed and wait.",
)
@click.option(
    "--packages",
    "opens_archives",
    is_flag=True,
    help="Look for driver packages in archives inside the images as well; that takes as long as "
    "reading them whole.",
)
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def scan(
    names: tuple[str, ...],
    accept: bool,
    opens_archives: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Record the images on the shelves named, or on all.

    A record is never replaced by a scan. What differs from it is kept beside it:
    the image is "changed, waiting", and the exit code 1, until you accept it as it
    is (--accept IMAGE...), restore it, or mend it. The earlier record stays in the
    history; mend can still aim at it with --as-of.

    Each new or changed image is read once: its volumes, the names of its files,
    a digest of the whole, one of every MiB, and the driver packages in it. Files
    whose size and date are as recorded are not read. A file that was moved keeps
    its record, and two files that swapped names swap theirs. Images of a shelf
    that is not plugged in are away, and keep theirs. Missing images end with 1 until
    they are back, or forgotten with shelf drop --only-missing. Ctrl-C keeps what is
    done; the next scan does the rest.
    """
    if accept and not names:
        raise click.UsageError("Name the images to accept, or a shelf: scan --accept IMAGE...")
    with open_catalogue(catalogue_path) as catalogue:
        started = time.monotonic()
        if accept:
            work = plan_accepting(catalogue, names)
        else:
            work = plan_shelves(catalogue, names, lambda shelf: _wait_for(shelf, quiet))
        work.opens_archives = opens_archives
        try:
            read_planned(catalogue, work, partial(progress, quiet=quiet))
        except KeyboardInterrupt:
            if not as_json:
                _say(work, quiet, time.monotonic() - started)
            raise
    if as_json:
        say_json(_document(work))
    else:
        _say(work, quiet, time.monotonic() - started)
    for error in work.failed:
        tell(str(error))
    if work.failed:
        raise SystemExit(max(error.exit_code for error in work.failed))
    exit_for(work.findings, fail_on)


def _wait_for(shelf: ShelfRow, quiet: bool) -> None:
    wait_for(f"looking through {shelf.name} ({shelf.root}) …", quiet=quiet)


def _say(work: Scan, quiet: bool, seconds: float) -> None:
    for shelf_plan in work.plan.shelves:
        _say_shelf(shelf_plan, _of_shelf(work, shelf_plan), quiet)
    if work.findings:
        say_findings(work.findings, limit=NAMED_AT_MOST)
    if quiet:
        return
    if work.is_accepting and not work.outcomes:
        say("Nothing was accepted.")
        return
    read = sum(each.reading.digests.size for each in work.outcomes if each.reading.digests)
    say(f"{count_text(len(work.outcomes), 'image')} read, {size_text(read)} in {seconds:.1f} s.")
    damaged = sum(worst(each.reading.findings) is Severity.ERROR for each in work.outcomes)
    if damaged:
        say_wrapped(
            f"{damaged:,} of these {'has' if damaged == 1 else 'have'} errors "
            "inside; see them with: mediashelf list --findings"
        )


def _of_shelf(work: Scan, plan: ShelfPlan) -> list[ScanOutcome]:
    return [each for each in work.outcomes if each.job.shelf.id == plan.shelf.id]


def _say_shelf(plan: ShelfPlan, outcomes: Sequence[ScanOutcome], quiet: bool) -> None:
    if plan.away:
        say_wrapped(
            f"{plan.shelf.name}: away ({plan.away}); {count_text(plan.away_count, 'image')} "
            f"{'keeps its record' if plan.away_count == 1 else 'keep their records'}"
        )
        return
    counts = {**_counts(plan, outcomes), "gone before": plan.missing_before}
    words = [
        count_text(count, "copy", "copies")
        if word == Event.COPY
        else f"{count:,} {_WORDS.get(word, word)}"
        for word, count in counts.items()
        if count
    ]
    if not quiet:
        say_wrapped(f"{plan.shelf.name}: {', '.join(words) or 'no images'}")
    for event in Event:
        if quiet and event not in _QUIET_EVENTS:
            continue
        lines = [
            f"{event.shown}: {each.job.seen.path}{_detail(each)}"
            for each in outcomes
            if each.event is event
        ]
        _say_some(lines)
    _say_some([f"missing: {path}" for path in plan.missing])
    if not quiet:
        _say_some([f"back: {path}" for path in plan.returned])
        _say_others(plan.others)


_MAY_BE_PACKED = (".cab", ".exe")
"""Of these a library has too many that are parts of something, so that none is recorded."""


def _say_others(others: Mapping[str, int]) -> None:
    count = sum(others.values())
    if count:
        most = sorted(others.items(), key=lambda pair: (-pair[1], pair[0]))
        kinds = [f"{number:,} {suffix or 'without an ending'}" for suffix, number in most]
        verb = "is not recorded as an image" if count == 1 else "are not recorded as images"
        say_wrapped(
            f"{count_text(count, 'other file')} {verb}: {first_text(kinds, _KINDS_NAMED, 'kind')}",
            indent=2,
        )
    if packed := [f"{others[suffix]:,} {suffix}" for suffix in _MAY_BE_PACKED if suffix in others]:
        say_wrapped(
            f"{' and '.join(packed)} may hold driver packages, which drivers --shelves "
            "does not know: ask mediashelf drivers FILE",
            indent=2,
        )


def _say_some(lines: list[str]) -> None:
    for line in lines[:NAMED_AT_MOST]:
        say_wrapped(line, indent=2)
    if len(lines) > NAMED_AT_MOST:
        say(f"  … and {len(lines) - NAMED_AT_MOST:,} more")


def _detail(outcome: ScanOutcome) -> str:
    if not outcome.detail or outcome.event is Event.UNREADABLE:
        return ""
    leads = {Event.COPY: "the same bytes as ", Event.MOVED: "was ", Event.SWAPPED: "was "}
    return f" ({leads.get(outcome.event, '')}{outcome.detail})"


def _counts(plan: ShelfPlan, outcomes: Sequence[ScanOutcome]) -> dict[str, int]:
    events = Counter(each.event for each in outcomes)
    return {
        "unchanged": plan.unchanged,
        "waiting": len(plan.waiting),
        **{event.value: events[event] for event in Event},
        "missing": len(plan.missing),
        "away": plan.away_count,
    }


def _document(work: Scan) -> dict[str, Any]:
    return document(
        "scan",
        shelves=[
            chosen(
                each.shelf,
                *("name", "root"),
                is_here=not each.away,
                away_reason=each.away,
                counts=_counts(each, _of_shelf(work, each)),
                waiting=each.waiting,
                missing=each.missing,
                returned=each.returned,
                other_files=each.others,
            )
            for each in work.plan.shelves
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
            for each in work.outcomes
        ],
        findings=work.findings,
    )
