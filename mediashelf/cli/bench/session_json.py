"""How sessions look in JSON; the shape is described in ``session.py``."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from mediashelf.catalogue.bench.session_rows import BenchSession, SessionDisc, SessionNote, in_force

if TYPE_CHECKING:
    from mediashelf.reports.bench.session_report import SessionReport


def session_dict(session: BenchSession) -> dict[str, Any]:
    """Return the JSON form of a session."""
    return {
        "number": session.id,
        "name": session.name,
        "machine": session.machine,
        "card": str(session.card),
        "made_at": session.made_at,
        "begun_at": session.begun_at,
        "prepared_at": session.prepared_at,
        "discs": [disc_dict(disc) for disc in session.steps],
        "former": [disc_dict(disc) for disc in session.former],
    }


def disc_dict(disc: SessionDisc) -> dict[str, Any]:
    """Return the JSON form of a disc with its notes."""
    held = in_force(disc.notes)
    return {
        "position": disc.position,
        "code": disc.code,
        "label": disc.label,
        "path": disc.path,
        "purpose": disc.purpose,
        "targets": list(disc.targets),
        "size": disc.size,
        "digests": {"xxh3_128": disc.xxh3_128, "sha256": disc.sha256},
        "staged_at": disc.staged_at,
        "replaced_at": disc.replaced_at,
        "outcome": disc.outcome.value if disc.outcome is not None else "open",
        "notes": [_note_dict(note, holds=any(note is one for one in held)) for note in disc.notes],
    }


def _note_dict(note: SessionNote, *, holds: bool) -> dict[str, Any]:
    return {
        "outcome": note.outcome.value,
        "system": note.system,
        "device": note.device,
        "text": note.text,
        "noted_at": note.noted_at,
        "holds": holds,
    }


def note_document(session: BenchSession, disc: SessionDisc, note: SessionNote) -> dict[str, Any]:
    """Return what ``session note`` answers."""
    return {
        "command": "session note",
        "version": 1,
        "session": session_dict(session),
        "disc": disc.position,
        "note": _note_dict(note, holds=note in in_force(disc.notes)),
        "next": session.next_step.position if session.next_step is not None else None,
    }


def report_document(session: BenchSession, report: SessionReport) -> dict[str, Any]:
    """Return what ``session report`` answers."""
    return {
        "command": "session report",
        "version": 1,
        "session": session_dict(session),
        "headline": report.headline,
        "systems": list(report.systems),
        "rows": [
            {
                "about": row.about,
                "is_device": row.is_device,
                "position": row.position,
                "cells": [asdict(cell) for cell in row.cells],
            }
            for row in report.rows
        ],
    }
