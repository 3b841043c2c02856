"""Plans without files: a text that is understood, and a catalogue that knows nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.sessions.plans.resolve import KnownImage
from mediashelf.sessions.plans.session_plan import PLAN_FILE, SessionPlan, understand_plan
from mediashelf.tables.reading import parse_tables


def parse_plan(data: bytes, folder: Path) -> SessionPlan:
    """Return what a plan says that would be in ``folder``."""
    return understand_plan(parse_tables(data, PLAN_FILE), folder)


class NoLibrary:
    """Knows nothing: for plans that name files only."""

    def find(self, text: str) -> Sequence[KnownImage]:
        return ()

    def record(self, path: Path) -> FixityRecord | None:
        return None
