"""Checksum lists as text and as JSON.

The shape of ``--json`` for a comparison: ``command`` and ``version``, ``folder``,
``lists``, ``counts`` (by state), ``files_read`` and ``bytes_read``, ``names`` (one
object for each line of a list and each extra file: ``name``, ``state``,
``algorithm``, ``expected``, ``found``, ``actual_name``, ``list``, ``line``), and
``findings``.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.render import say, say_findings, say_wrapped, summary
from mediashelf.findings import Severity
from mediashelf.integrity.lists.reading import ListReport, ListState
from mediashelf.integrity.lists.writing import WrittenList
from mediashelf.text import count_text, size_text

_PLACES_SHOWN = 20  # of one rule, without --all
_ROW = ("name", "state", "algorithm", "expected", "found", "actual_name", "line")


def say_written(written: WrittenList, *, quiet: bool) -> None:
    """Print what a new list holds and what it lacks."""
    shown = [item for item in written.findings if not quiet or item.severity > Severity.NOTE]
    if shown:
        say_findings(shown, limit=_PLACES_SHOWN)
        say()
    if not quiet:
        say_wrapped(
            f"{written.path}: {count_text(written.file_count, 'file')} of "
            f"{size_text(written.size)}, {written.algorithm}, form {written.form}; "
            f"{summary(written.findings)}"
        )


def say_comparison(
    report: ListReport, lists: Sequence[Path], *, show_all: bool, quiet: bool
) -> None:
    """Print what needs attention, then how many names ended in which state."""
    shown = [item for item in report.findings if not quiet or item.severity > Severity.NOTE]
    if shown:
        say_findings(shown, limit=0 if show_all else _PLACES_SHOWN)
        say()
    if quiet:
        return
    counts = report.counts
    listed = len(report.rows) - counts[ListState.EXTRA]
    states = ", ".join(
        f"{counts[state]:,} {state}"
        for state in ListState
        if state is not ListState.EXTRA and (counts[state] or state is ListState.EQUAL)
    )
    say_wrapped(
        f"{count_text(listed, 'name')} in {count_text(len(lists), 'list')}: {states}. "
        f"{count_text(counts[ListState.EXTRA], 'file')} here in no list."
    )
    say_wrapped(
        f"{count_text(report.files_read, 'file')} read ({size_text(report.bytes_read)}); "
        f"{summary(report.findings)}."
    )


def comparison_document(report: ListReport, lists: Sequence[Path]) -> dict[str, object]:
    """Return the JSON document of a comparison."""
    return document(
        "checksums check",
        lists=lists,
        names=[chosen(row, *_ROW, list=row.list_name) for row in report.rows],
        **chosen(report, "folder", "counts", "files_read", "bytes_read", "findings"),
    )
