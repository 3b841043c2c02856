"""How a comparison is said: as text, and as JSON."""

from __future__ import annotations

from typing import Any

from mediashelf.cli.documents import Each, chosen, document, plain
from mediashelf.cli.render import say, say_wrapped
from mediashelf.integrity.comparing.values import Comparison
from mediashelf.reports.library.comparison_words import (
    TITLES,
    closing_lines,
    difference_text,
    side_text,
)

_SHOWN = 20  # of one kind; the rest are counted


def comparison_document(found: Comparison) -> dict[str, Any]:
    """Return the JSON answer."""
    trees = found.trees
    return document(
        "compare",
        is_equal=found.is_equal,
        is_one_file=found.is_one_file,
        a=found.first,
        b=found.second,
        counts={**plain(trees.counts), "same": trees.same_files},
        **chosen(trees, "same_size", "other_dates", "case_aside"),
        differences=Each(trees.differences),
        facts=found.facts,
        sectors=found.sectors,
        findings=found.findings,
    )


def say_comparison(found: Comparison, *, show_all: bool, quiet: bool) -> None:
    """Print what differs, and in one sentence what that comes to."""
    if not quiet:
        say(f"A  {found.first.name}  ({side_text(found.first)})")
        say(f"B  {found.second.name}  ({side_text(found.second)})")
    for fact in found.facts:
        aside = "" if fact.counts else " (does not count)"
        say_wrapped(
            f"{fact.name}: {fact.first or 'none'} in A, {fact.second or 'none'} in B{aside}"
        )
    for kind, title in TITLES.items():
        some = found.trees.differences.of_kind(kind)
        if not some:
            continue
        say(f"{title} ({len(some):,})")
        for each in some if show_all else some[:_SHOWN]:
            say_wrapped(difference_text(each), indent=2)
        if len(some) > _SHOWN and not show_all:
            say(f"  … and {len(some) - _SHOWN:,} more; print them with --all")
    for finding in found.findings:
        say_wrapped(f"{finding.where}: {finding.message}")
    if not quiet:
        for line in closing_lines(found):
            say_wrapped(line)
