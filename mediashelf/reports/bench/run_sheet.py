"""The run sheet: what the person at the bench does, disc by disc, on paper or a phone.

Everything on it comes from the card's manifest, so that it can be made again
from the card alone.
"""

from __future__ import annotations

from mediashelf.reports.bench.sheet_facts import DRAWING_SIZE, run_sheet
from mediashelf.reports.bench.sheet_lines import TEXT_WIDTH as TEXT_WIDTH
from mediashelf.reports.bench.sheet_lines import text_lines
from mediashelf.reports.pages import render_page
from mediashelf.sessions.manifests.values import Manifest


def sheet_html(manifest: Manifest) -> str:
    """Return the run sheet as one self-contained HTML page for paper and phone."""
    return render_page("run-sheet.html", sheet=run_sheet(manifest), drawing_size=DRAWING_SIZE)


def sheet_text(manifest: Manifest) -> str:
    """Return the run sheet as plain text, at most 79 columns wide."""
    return "\n".join(line.rstrip() for line in text_lines(run_sheet(manifest))) + "\n"
