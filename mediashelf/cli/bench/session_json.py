"""How sessions look in JSON; the shape is described in ``session.py``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from mediashelf.catalogue.bench.session_rows import BenchSession, SessionDisc, SessionNote
from mediashelf.cli.documents import chosen, document

if TYPE_CHECKING:
    from mediashelf.reports.bench.session_report import SessionReport


def session_dict(session: BenchSession) -> dict[str, Any]:
    """Return the JSON form of a session."""
    return {
        "number": session.id,
        **chosen(session, "name", "machine", "card", "made_at", "begun_at", "prepared_at"),
        "discs": [_disc_dict(disc) for disc in session.steps],
        "former": [_disc_dict(disc) for disc in session.former],
    }


def _disc_dict(disc: SessionDisc) -> dict[str, Any]:
    return {
        **chosen(disc, "position", "code", "label", "path", "purpose", "targets", "size"),
        "digests": chosen(disc, "xxh3_128", "sha256"),
        **chosen(disc, "staged_at", "replaced_at"),
        "outcome": disc.word,
        "notes": [_note_dict(note, holds) for note, holds in disc.told],
    }


def _note_dict(note: SessionNote, holds: bool) -> dict[str, Any]:
    return chosen(
        note,
        "outcome",
        "system",
        "device",
        "text",
        "noted_at",
        holds=holds,
        values=dict(note.measured),
    )


def note_document(session: BenchSession, disc: SessionDisc, note: SessionNote) -> dict[str, Any]:
    """Return what ``session note`` answers."""
    following = session.next_step
    return document(
        "session note",
        session=session_dict(session),
        disc=disc.position,
        note=_note_dict(note, (note, True) in disc.told),
        next=following.position if following is not None else None,
    )


def report_document(session: BenchSession, report: SessionReport) -> dict[str, Any]:
    """Return what ``session report`` answers."""
    rows = [chosen(row, "about", "is_device", "position", "cells") for row in report.rows]
    return document(
        "session report",
        session=session_dict(session),
        headline=report.headline,
        systems=report.systems,
        rows=rows,
        measured=[
            {
                **chosen(row, "system", "device", "disc", "text", "noted"),
                "values": {
                    name: cell.values
                    for name, cell in zip(report.measured.names, row.cells, strict=True)
                    if cell.values
                },
            }
            for row in report.measured.rows
        ],
    )
