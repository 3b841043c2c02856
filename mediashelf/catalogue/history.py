"""What happened to an image: recorded, confirmed, found wrong, staged, served, mended.

Scans, audits and mending add rows to one table; that an image was put on a card,
and how it did when it was served, is read from the tables of sessions. A row is
written in the transaction of the change that it tells of.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from enum import StrEnum
from typing import TYPE_CHECKING

from msgspec import Struct

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, Presence, keep_text, kept_path, kept_text, utc_now
from mediashelf.integrity.fixity.states import State

if TYPE_CHECKING:  # a scan that finds nothing new needs no digests
    from mediashelf.integrity.fixity.values import FixityVerdict

LONGEST_DETAIL = 400
"""Characters of a detail; messages may quote what a disc says."""


class Happening(StrEnum):
    """One word for what happened; the words are shown to people."""

    RECORDED = "recorded"
    MOVED = "moved"
    CHANGED = "changed"  # the bytes differ from the record
    CONFIRMED = "confirmed"
    DAMAGED = "damaged"
    DECAYED = "decayed"
    TRUNCATED = "truncated"
    UNREADABLE = "unreadable"
    MISSING = "missing"
    RETURNED = "returned"
    STAGED = "staged"
    SERVED = "served"
    MENDED = "mended"
    ACCEPTED = "accepted"
    DESCRIBED = "described"  # the keeper's words changed


class HistoryRow(Struct, frozen=True):
    """One thing that happened to an image.

    ``seen_by`` names the command that found or did it. ``session``, ``machine``
    and ``card`` are set for what happened in a bench session.
    """

    happened_at: str
    event: Happening
    seen_by: str
    detail: str = ""
    session_id: int | None = None
    session: str = ""
    machine: str = ""
    card: str = ""


def keep(
    db: sqlite3.Connection,
    image_id: int,
    event: Happening,
    seen_by: str,
    detail: str = "",
    *,
    at: str = "",
) -> None:
    """Add a row to the history of an image, within the caller's transaction."""
    if len(detail) > LONGEST_DETAIL:
        detail = f"{detail[: LONGEST_DETAIL - 1]}…"
    db.execute(
        "INSERT INTO history (image_id, happened_at, event, seen_by, detail) "
        "VALUES (?, ?, ?, ?, ?)",
        [image_id, at or utc_now(), event.value, seen_by, keep_text(detail)],
    )


def forget_missed(db: sqlite3.Connection, image_id: int, since: str) -> None:
    """Forget that an image was missing: the same scan found it elsewhere."""
    db.execute(
        "DELETE FROM history WHERE image_id = ? AND event = ? AND happened_at >= ?",
        [image_id, Happening.MISSING.value, since],
    )


def keep_verdict(
    db: sqlite3.Connection, row: ImageRow, verdict: FixityVerdict, at: str, *, files_inside: bool
) -> None:
    """Add what an audit found; ``row`` is the image as it was on record before.

    Nothing is added where the audit tells nothing new of the bytes: an image that
    is away or was written meanwhile, one that was missing before, one whose contents were not read.
    """
    if verdict.state in (State.AWAY, State.CHANGING):
        return
    if verdict.state is State.MISSING:
        if row.presence is not Presence.MISSING:
            keep(db, row.id, Happening.MISSING, "audit", at=at)
        return
    if row.presence is Presence.MISSING:
        keep(db, row.id, Happening.RETURNED, "audit", at=at)
    if verdict.is_confirmed:
        detail = "files inside checked too" if files_inside else ""
        keep(db, row.id, Happening.CONFIRMED, "audit", detail, at=at)
    if verdict.state not in (State.SOUND, State.UNRECORDED):  # recorded bytes may be damaged
        detail = verdict.findings[0].message if verdict.findings else verdict.basis
        keep(db, row.id, Happening(verdict.state.value), "audit", detail, at=at)


@reads_catalogue
def history_of(db: sqlite3.Connection, image_id: int) -> list[HistoryRow]:
    """Return all that is known to have happened to an image, oldest first."""
    rows = [*_iter_kept(db, image_id), *_iter_sessions(db, image_id)]
    return sorted(rows, key=lambda row: row.happened_at)  # equal moments stay as they are


def _iter_kept(db: sqlite3.Connection, image_id: int) -> Iterator[HistoryRow]:
    for at, event, seen_by, detail in db.execute(
        "SELECT happened_at, event, seen_by, detail FROM history WHERE image_id = ? ORDER BY id",
        [image_id],
    ):
        yield HistoryRow(at, Happening(event), seen_by, kept_text(detail))


def _iter_sessions(db: sqlite3.Connection, image_id: int) -> Iterator[HistoryRow]:
    """Yield when an image was put on a card, and what the notes of the bench say of it."""
    # Not needed by whoever only adds rows.
    from mediashelf.catalogue.bench.session_reading import notes_of
    from mediashelf.catalogue.bench.session_rows import in_force

    for disc_id, path, staged_at, session_id, name, machine, card, begun_at in db.execute(
        "SELECT session_discs.id, path, staged_at, session_id, name, machine, card, begun_at "
        "FROM session_discs JOIN sessions ON sessions.id = session_id "
        "WHERE image_id = ? ORDER BY session_discs.id",
        [image_id],
    ).fetchall():
        session = (session_id, kept_text(name), kept_text(machine), kept_path(card))
        if staged_at >= begun_at:  # else the session was begun again with the same card
            detail = f"as {kept_text(path)}"
            yield HistoryRow(staged_at, Happening.STAGED, "prepare", detail, *session)
        for note in in_force(notes_of(db, disc_id)):
            yield HistoryRow(note.noted_at, Happening.SERVED, "session", note.sentence, *session)
