"""What a person does with sessions on record: note, list, report, begin again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue.bench.session_names import (
    matching_sessions,
    named_disc,
    of_machine,
)
from mediashelf.catalogue.bench.session_reading import session_of, sessions
from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    SessionDisc,
    SessionNote,
)
from mediashelf.catalogue.bench.session_store import add_note, begin_again
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import InputError
from mediashelf.jobs.session_journal import find_session, is_card
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.sessions.plans.machine import product_key_in, refuse_as_name


class NewNote(Struct, frozen=True):
    """What a person notes; ``system`` is None for every system that the disc is for."""

    outcome: NoteResult
    text: str = ""
    device: str = ""
    system: str | None = None
    measured: tuple[tuple[str, str], ...] = ()


class Noted(Struct, frozen=True):
    """A note that was added, with its disc and session as they are now."""

    session: BenchSession
    disc: SessionDisc
    note: SessionNote


def note_disc(
    wanted: str,
    new: NewNote,
    *,
    session_name: str | None,
    machine: str = "",
    catalogue_path: Path | None,
    targets_folder: Path | None,
) -> Noted:
    """Note something of the disc that a few words mean; a card that is new is recorded first.

    Raises :class:`TargetError` for an unknown system, and :class:`InputError` when no
    session or disc is meant, or the note holds a product key.
    """
    for text in (new.text, new.device, *(word for pair in new.measured for word in pair)):
        if found := product_key_in(text):
            raise InputError(
                f"the note holds what looks like a product key ({found[:3]}…), and reports are "
                "published: say where the key is to be found instead"
            )
    system = ""
    if new.system is not None:
        (target,) = pick_targets([new.system], load_targets(targets_folder))
        system = target.name
    with open_catalogue(catalogue_path, create=is_card(session_name)) as catalogue:
        session = find_session(catalogue, session_name, machine=machine, may_record=True)
        disc = named_disc(session, wanted)
        added = add_note(
            catalogue,
            disc,
            new.outcome,
            system=system,
            device=new.device,
            text=new.text,
            measured=new.measured,
        )
        session = session_of(catalogue, session.id)
    disc = next(one for one in session.steps if one.id == disc.id)
    return Noted(session, disc, added)


def find_sessions(catalogue_path: Path | None, **wanted: str) -> list[BenchSession]:
    """Return the sessions that have each of these words; see ``matching_sessions``."""
    with open_catalogue(catalogue_path) as catalogue:
        return matching_sessions(sessions(catalogue), **wanted)


def session_to_report(
    session_name: str | None, catalogue_path: Path | None, *, machine: str = ""
) -> tuple[BenchSession, Sequence[BenchSession]]:
    """Return the session that is meant, and all sessions of its machine, the earliest first."""
    with open_catalogue(catalogue_path) as catalogue:
        session = find_session(catalogue, session_name, machine=machine)
        return session, of_machine(sessions(catalogue), session)


def begin_session(
    session_name: str | None, catalogue_path: Path | None, *, machine: str = ""
) -> BenchSession:
    """Begin a session again with the same card and discs, without notes, for a machine.

    Raises :class:`SessionPlanError` for a name that should not be kept.
    """
    refuse_as_name(machine)
    with open_catalogue(catalogue_path) as catalogue:
        session = find_session(catalogue, session_name)
        return begin_again(catalogue, session, machine=machine)
