"""What was verified of the files inside images, and what was not, as sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from mediashelf.formats.signatures import ContentFormat
from mediashelf.integrity.contents import ContentsReport
from mediashelf.text import count_text


def contents_lines(reports: Sequence[ContentsReport]) -> list[str]:
    """Return a paragraph for all, then one for each format that was met."""
    files = sum(report.files for report in reports)
    unchecked = sum(report.unchecked_files for report in reports)
    unreadable = sum(report.unreadable_files for report in reports)
    nested = sum(report.nested_archives for report in reports)
    first = (
        f"Files inside: {files:,} looked at, {unchecked:,} carry no checks of their own"
        + (f", {unreadable:,} could not be read" if unreadable else "")
        + f"; {count_text(nested, 'archive')} inside archives not followed."
    )
    lines = [first]
    for kind in ContentFormat:
        tallies = [report.tallies[kind] for report in reports if kind in report.tallies]
        if not tallies:
            continue
        count = sum(tally.files for tally in tallies)
        faulty = sum(tally.faulty_files for tally in tallies)
        verified = _counted(tally.verified for tally in tallies)
        unverified = _counted(tally.unverified for tally in tallies)
        line = f"{kind}: {count_text(count, 'file')}"
        line += f", {faulty:,} faulty" if faulty else ""
        line += f"; verified: {verified}" if verified else ""
        line += f"; not verified: {unverified}" if unverified else ""
        lines.append(f"{line}.")
    return lines


def _counted(counters: Iterable[Counter[str]]) -> str:
    total: Counter[str] = Counter()
    for counter in counters:
        total += counter
    return ", ".join(f"{count:,} {words}" for words, count in total.items())
