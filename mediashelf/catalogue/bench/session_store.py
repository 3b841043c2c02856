"""Writing bench sessions: what was prepared, and the notes of what happened.

Preparing a card again goes on with its session as long as that is not over, so
that a disc that was mended between two trips to the bench does not tear the notes
apart. See :func:`record_session`.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from mediashelf.catalogue.bench.session_reading import session_of, sessions
from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    PreparedSession,
    SessionDisc,
    SessionNote,
)
from mediashelf.catalogue.rows import keep_path, keep_text, utc_now
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue

GOES_ON = timedelta(days=30)
"""A session without a sign of life for longer is over; preparing its card begins a new one."""

_MOMENT = "%Y-%m-%dT%H:%M:%SZ"


def record_session(
    catalogue: Catalogue, prepared: PreparedSession, *, now: str = ""
) -> BenchSession:
    """Record that a card was prepared, and return its session.

    It is the one that the card belongs to (:func:`session_of_card`), or the latest
    of the same name, machine and card unless every disc of that worked or it shows
    no sign of life for :data:`GOES_ON`; else a new one. Discs with the same bytes
    keep their notes.
    """
    now = now or utc_now()
    db = catalogue.db
    sources = [_image_id(catalogue, disc) for disc in prepared.discs]
    with transaction(db):
        known = _to_go_on(catalogue, prepared, now)
        values = [keep_path(prepared.card), prepared.made_at, now]
        if known is not None:
            db.execute(
                "UPDATE sessions SET card = ?, made_at = ?, prepared_at = ? WHERE id = ?",
                [*values, known.id],
            )
            session_id = known.id
        else:
            session_id = db.execute(
                "INSERT INTO sessions (name, machine, begun_at, card, made_at, prepared_at) "
                "VALUES (?, ?, ?, ?, ?, ?) RETURNING id",
                [keep_text(prepared.name), keep_text(prepared.machine), now, *values],
            ).fetchone()[0]
        rows = (*known.steps, *known.former) if known is not None else ()
        _record_discs(db, session_id, rows, prepared.discs, sources, now)
    return session_of(catalogue, session_id)


def session_of_card(
    catalogue: Catalogue, prepared: PreparedSession, among: Sequence[BenchSession] | None = None
) -> BenchSession | None:
    """Return the session that this very card was prepared for, wherever it is plugged in.

    It has the moment of the manifest, the names and all discs. Of two cards that
    are equal in all this, the one in the same folder is meant. Of the sessions that
    are given as ``among``, the machine may be another one: the card is used again.
    """
    alike = [
        session
        for session in (sessions(catalogue) if among is None else among)
        if (session.made_at, session.name) == (prepared.made_at, prepared.name)
        and (among is not None or session.machine == prepared.machine)
        and _bytes_of(session.steps) == _bytes_of(prepared.discs)
    ]
    here = [session for session in alike if session.card == prepared.card]
    return next(iter([*here, *alike]), None)


def begin_again(
    catalogue: Catalogue, session: BenchSession, *, machine: str = "", now: str = ""
) -> BenchSession:
    """Begin a session anew with the same card and discs, without notes: for the next machine.

    Without a ``machine`` it has the same name.
    """
    now = now or utc_now()
    db = catalogue.db
    with transaction(db):
        new_id = db.execute(
            "INSERT INTO sessions (name, machine, card, made_at, begun_at, prepared_at) "
            "SELECT name, ?, card, made_at, ?, ? FROM sessions WHERE id = ? RETURNING id",
            [keep_text(machine or session.machine), now, now, session.id],
        ).fetchone()[0]
        db.execute(
            "INSERT INTO session_discs (session_id, position, code, path, label, purpose, targets, "
            "size, xxh3_128, sha256, image_id, staged_at) "
            "SELECT ?, position, code, path, label, purpose, targets, size, xxh3_128, sha256, "
            "image_id, staged_at FROM session_discs "
            "WHERE session_id = ? AND replaced_at IS NULL ORDER BY position",
            [new_id, session.id],
        )
    return session_of(catalogue, new_id)


def add_note(
    catalogue: Catalogue,
    disc: SessionDisc,
    outcome: NoteResult,
    *,
    system: str = "",
    device: str = "",
    text: str = "",
    measured: Sequence[tuple[str, str]] = (),
    now: str = "",
) -> SessionNote:
    """Note what happened with a disc; earlier notes stay, and give way to it.

    A ``system`` that is the disc's only target goes without saying.
    """
    if disc.targets == (system,):
        system = ""
    note = SessionNote(outcome, system, device, text, now or utc_now(), tuple(measured))
    with transaction(catalogue.db):
        catalogue.db.execute(
            "INSERT INTO session_notes "
            "(disc_id, system, device, outcome, note, noted_at, measured) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                disc.id,
                keep_text(system),
                keep_text(device),
                outcome.value,
                keep_text(text),
                note.noted_at,
                json.dumps(note.measured),
            ],
        )
    return note


def _to_go_on(catalogue: Catalogue, prepared: PreparedSession, now: str) -> BenchSession | None:
    known = session_of_card(catalogue, prepared)
    if known is not None and known.card == prepared.card:
        return known
    for session in sessions(catalogue):
        if (session.name, session.machine, session.card) == (
            prepared.name,
            prepared.machine,
            prepared.card,
        ):
            age = _moment(now) - _moment(session.last_sign)
            return None if session.is_finished or age > GOES_ON else session
    return None


def _moment(text: str) -> datetime:
    return datetime.strptime(text, _MOMENT).replace(tzinfo=UTC)


def _bytes_of(discs: Sequence[SessionDisc]) -> list[tuple[int, str]]:
    return [(disc.position, disc.sha256) for disc in discs]


def _image_id(catalogue: Catalogue, disc: SessionDisc) -> int | None:
    """Return the image on record that a disc was copied from: by its place, else by its bytes."""
    row = catalogue.image_by_path(disc.source) if disc.source is not None else None
    if row is not None:
        return row.id
    alike = catalogue.images_by_digest(disc.xxh3_128)
    return alike[0].id if alike else None


def _record_discs(
    db: sqlite3.Connection,
    session_id: int,
    known: Sequence[SessionDisc],
    discs: Sequence[SessionDisc],
    sources: Sequence[int | None],
    now: str,
) -> None:
    """Write the discs of a session; a disc whose bytes are known there keeps its row and notes."""
    rows = _pair(known, discs)
    for disc, row, image_id in zip(discs, rows, sources, strict=True):
        values = {
            "position": disc.position,
            "code": disc.code,
            "path": keep_text(disc.path),
            "label": keep_text(disc.label),
            "purpose": keep_text(disc.purpose),
            "targets": json.dumps(disc.targets),
            "image_id": image_id,
        }
        if row is not None:
            db.execute(
                "UPDATE session_discs SET position = :position, code = :code, path = :path, "
                "label = :label, purpose = :purpose, targets = :targets, replaced_at = NULL, "
                "image_id = coalesce(:image_id, image_id) WHERE id = :id",
                {**values, "id": row.id},
            )
            continue
        values |= {"session_id": session_id, "size": disc.size, "staged_at": now}
        values |= {"xxh3_128": disc.xxh3_128, "sha256": disc.sha256}
        db.execute(
            "INSERT INTO session_discs (session_id, position, code, path, label, purpose, targets, "
            "size, xxh3_128, sha256, image_id, staged_at) VALUES (:session_id, :position, :code, "
            ":path, :label, :purpose, :targets, :size, :xxh3_128, :sha256, :image_id, :staged_at)",
            values,
        )
    kept = {row.id for row in rows if row is not None}
    db.executemany(
        "UPDATE session_discs SET replaced_at = ? WHERE id = ?",
        [(now, row.id) for row in known if row.id not in kept and row.replaced_at is None],
    )


def _pair(known: Sequence[SessionDisc], discs: Sequence[SessionDisc]) -> list[SessionDisc | None]:
    """Return for each disc the row with its bytes, or None: first those in the same place."""
    left = list(known)
    rows: list[SessionDisc | None] = [None] * len(discs)
    for must_be_in_place in (True, False):
        for number, disc in enumerate(discs):
            fitting = [
                row
                for row in left
                if row.sha256 == disc.sha256
                and (row.position == disc.position or not must_be_in_place)
            ]
            if rows[number] is None and fitting:
                rows[number] = fitting[0]
                left.remove(fitting[0])
    return rows
