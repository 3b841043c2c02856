"""The run sheet: what the person at the bench does, system by system, on paper or a phone."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.reports.bench.sheet_chapters import SheetDevice
from mediashelf.reports.bench.sheet_contents import run_sheet
from mediashelf.reports.bench.sheet_lines import TEXT_WIDTH as TEXT_WIDTH
from mediashelf.reports.bench.sheet_lines import text_lines
from mediashelf.reports.pages import render_page
from mediashelf.sessions.manifests.values import Manifest
from mediashelf.sessions.plans.session_plan import SessionPlan


def sheet_html(
    manifest: Manifest, plan: SessionPlan | None = None, devices: Sequence[SheetDevice] = ()
) -> str:
    """Return the run sheet as one self-contained HTML page for paper and phone."""
    return render_page("run-sheet.html", sheet=run_sheet(manifest, plan, devices))


def sheet_text(
    manifest: Manifest, plan: SessionPlan | None = None, devices: Sequence[SheetDevice] = ()
) -> str:
    """Return the run sheet as plain text, at most 79 columns wide."""
    lines = text_lines(run_sheet(manifest, plan, devices))
    return "\n".join(line.rstrip() for line in lines) + "\n"
