"""What a scan did, shelf by shelf, as text for people."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from mediashelf.catalogue.scanning.scan_plan import Event, ScanOutcome, ShelfPlan
from mediashelf.cli.render import say, say_findings, say_wrapped
from mediashelf.findings import Severity, worst
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.library.scanning import Scan
from mediashelf.text import count_text, first_text, size_text

_KINDS_NAMED = 6  # endings of files that are not images
NAMED_AT_MOST = 20  # images of one event and shelf that are named; the rest are counted

_QUIET_EVENTS = frozenset({Event.CHANGED, Event.UNREADABLE, Event.CHANGING, Event.VANISHED})

_WORDS = {"changed": State.CHANGED.shown_in_list, "waiting": "still waiting"}
"""How counts are called on screen, where that differs from JSON."""

_MAY_BE_PACKED = (".cab", ".exe")
"""Of these a library has too many that are parts of something, so that none is recorded."""


def say_scan(work: Scan, quiet: bool, seconds: float) -> None:
    """Print what became of each shelf, the findings, and what was read."""
    for shelf_plan in work.plan.shelves:
        _say_shelf(shelf_plan, of_shelf(work, shelf_plan), quiet)
    if work.findings:
        say_findings(work.findings, limit=NAMED_AT_MOST)
    if quiet:
        return
    if work.is_accepting and not work.outcomes:
        say("Nothing was accepted.")
        return
    readings = [each.reading for each in work.outcomes if each.reading.digests is not None]
    read = sum(each.digests.size for each in readings if each.digests is not None)
    say(f"{count_text(len(readings), 'image')} read, {size_text(read)} in {seconds:.1f} s.")
    damaged = sum(worst(each.findings) is Severity.ERROR for each in readings)
    if damaged:
        say_wrapped(
            f"{damaged:,} of these {'has' if damaged == 1 else 'have'} errors "
            "inside; see them with: mediashelf list --findings"
        )


def of_shelf(work: Scan, plan: ShelfPlan) -> list[ScanOutcome]:
    """Return what became of the images of one shelf that were read."""
    return [each for each in work.outcomes if each.job.shelf.id == plan.shelf.id]


def _say_shelf(plan: ShelfPlan, outcomes: Sequence[ScanOutcome], quiet: bool) -> None:
    if plan.away:
        say_wrapped(
            f"{plan.shelf.name}: away ({plan.away}); {count_text(plan.away_count, 'image')} "
            f"{'keeps its record' if plan.away_count == 1 else 'keep their records'}"
        )
        return
    counts = {**shelf_counts(plan, outcomes), "gone before": plan.missing_before}
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


def shelf_counts(plan: ShelfPlan, outcomes: Sequence[ScanOutcome]) -> dict[str, int]:
    """Return how many images of a shelf there are of each kind."""
    events = Counter(each.event for each in outcomes)
    return {
        "unchanged": plan.unchanged,
        "waiting": len(plan.waiting),
        **{event.value: events[event] for event in Event},
        "missing": len(plan.missing),
        "away": plan.away_count,
    }
