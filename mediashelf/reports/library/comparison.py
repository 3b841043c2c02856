"""The page of a comparison: two trees beside each other."""

from __future__ import annotations

from msgspec import Struct

from mediashelf.integrity.comparing.differences import Difference
from mediashelf.integrity.comparing.values import Comparison
from mediashelf.reports.allowance import RowAllowance
from mediashelf.reports.library.comparison_words import (
    TITLES,
    closing_lines,
    how_different,
    side_text,
)
from mediashelf.reports.pages import render_page
from mediashelf.text import size_text

ROWS = 5000
"""Differences that a page lists; what is left out is counted."""


class ComparisonRow(Struct, frozen=True):
    """One difference as printed; ``other_path`` is empty where it is that of A, or nowhere."""

    path: str
    other_path: str
    words: str


class ComparisonPart(Struct, frozen=True):
    """The differences of one kind."""

    title: str
    count: int
    rows: tuple[ComparisonRow, ...]
    left_out: int
    has_other: bool


def comparison_html(found: Comparison, *, created: str, created_by: str) -> str:
    """Return the page as one self-contained HTML file."""
    *about, headline = closing_lines(found)
    return render_page(
        "comparison.html",
        headline=headline,
        about=about,
        mood="sound" if found.is_equal else "changed",
        sides=[
            ("A", found.first.name, side_text(found.first)),
            ("B", found.second.name, side_text(found.second)),
        ],
        facts=found.facts,
        parts=_parts(found),
        findings=[f"{finding.where}: {finding.message}" for finding in found.findings],
        created=created.replace("T", " ").replace("Z", " UTC"),
        created_by=created_by,
    )


def _parts(found: Comparison) -> list[ComparisonPart]:
    allowance = RowAllowance(ROWS)
    parts = []
    for kind, title in TITLES.items():
        some = found.trees.differences.of_kind(kind)
        if not some:
            continue
        has_other = kind in (Difference.MOVED, Difference.RENAMED)
        shown = allowance.take(len(some), len(some))
        rows = []
        for each in some[:shown]:
            folder = "/" if each.is_folder else ""
            path = (each.path or each.other_path) + folder
            size = each.size if each.path else each.other_size
            words = "" if each.is_folder else size_text(size or 0)
            if each.path and each.other_path and not has_other:
                words = how_different(each)
            other = "" if each.other_path == each.path else each.other_path
            rows.append(ComparisonRow(path, other if each.path else "", words))
        left_out = len(some) - shown
        parts.append(ComparisonPart(title, len(some), tuple(rows), left_out, has_other))
    return parts
