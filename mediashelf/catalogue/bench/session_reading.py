"""Reading bench sessions from the catalogue."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    SessionDisc,
    SessionNote,
)
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import kept_path, kept_text
from mediashelf.catalogue.store import Catalogue


@reads_catalogue
def sessions(catalogue: Catalogue) -> list[BenchSession]:
    """Return every session, the one prepared last first."""
    ids = catalogue.db.execute("SELECT id FROM sessions ORDER BY prepared_at DESC, id DESC")
    return [session_of(catalogue, row[0]) for row in ids.fetchall()]


@reads_catalogue
def session_of(catalogue: Catalogue, session_id: int) -> BenchSession:
    """Return a session by its id, which must exist."""
    db = catalogue.db
    name, machine, card, made_at, begun_at, prepared_at = db.execute(
        "SELECT name, machine, card, made_at, begun_at, prepared_at FROM sessions WHERE id = ?",
        [session_id],
    ).fetchone()
    discs = [
        SessionDisc(
            position,
            code,
            kept_text(path),
            kept_text(label),
            kept_text(purpose),
            tuple(json.loads(targets)),
            size,
            xxh3_128,
            sha256,
            disc_id,
            staged_at,
            replaced_at,
            notes_of(db, disc_id),
        )
        for (
            disc_id,
            position,
            code,
            path,
            label,
            purpose,
            targets,
            size,
            xxh3_128,
            sha256,
            staged_at,
            replaced_at,
        ) in db.execute(
            "SELECT id, position, code, path, label, purpose, targets, size, xxh3_128, sha256, "
            "staged_at, replaced_at FROM session_discs WHERE session_id = ? "
            "ORDER BY position, id",
            [session_id],
        ).fetchall()
    ]
    return BenchSession(
        session_id,
        kept_text(name),
        kept_text(machine),
        Path(kept_path(card)),
        made_at,
        begun_at,
        prepared_at,
        tuple(disc for disc in discs if disc.replaced_at is None),
        tuple(disc for disc in discs if disc.replaced_at is not None),
    )


@reads_catalogue
def notes_of(db: sqlite3.Connection, disc_id: int) -> tuple[SessionNote, ...]:
    """Return the notes of one disc, oldest first."""
    rows = db.execute(
        "SELECT outcome, system, device, note, noted_at, measured FROM session_notes "
        "WHERE disc_id = ? ORDER BY id",
        [disc_id],
    )
    return tuple(
        SessionNote(
            NoteResult(outcome),
            kept_text(system),
            kept_text(device),
            kept_text(text),
            at,
            tuple((name, value) for name, value in json.loads(measured)),
        )
        for outcome, system, device, text, at, measured in rows
    )
