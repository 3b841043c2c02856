"""Which session, and which of its steps, a person means by a few words."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from mediashelf.catalogue.bench.session_rows import BenchSession, SessionDisc
from mediashelf.errors import InputError
from mediashelf.text import did_you_mean

NEXT = "next"
"""Stands for the first step without a note, unless a disc is called that."""

_SHOWN = 9


def named_session(sessions: Sequence[BenchSession], name: str) -> BenchSession:
    """Return the session that a name means; ``sessions`` stand in order, the latest first.

    In this order: the folder of a card, a session's name, its number, a part of the
    names of one session and its machine, letter case aside. Of several sessions of
    one name the latest is meant. Raises :class:`InputError` when none is meant, or
    several of different names.
    """
    wanted = name.casefold().strip()
    folder = Path(os.path.realpath(name)) if wanted else None
    for fits in (
        lambda one: Path(os.path.realpath(one.card)) == folder,
        lambda one: one.name.casefold() == wanted,
        lambda one: str(one.id) == wanted,
    ):
        found = [session for session in sessions if fits(session)]
        if found:
            return found[0]
    found = [one for one in sessions if wanted in f"{one.name}, {one.machine}".casefold()]
    names = {(session.name, session.machine) for session in found}
    if wanted and len(names) == 1:
        return found[0]
    if names and wanted:
        shown = "; ".join(_title(one) for one in found[:_SHOWN])
        raise InputError(
            f"{name!r} matches several sessions ({shown}); use a longer name, or its number"
        )
    near = did_you_mean(name, [one.name for one in sessions])
    raise InputError(
        f"{name!r} is not a recorded session, nor a card of one{near} "
        "(see: mediashelf session list)"
    )


def matching_sessions(
    sessions: Sequence[BenchSession],
    *,
    machine: str = "",
    device: str = "",
    disc: str = "",
    text: str = "",
) -> list[BenchSession]:
    """Return the sessions that have each of these words, letter case aside; empty ones fit all.

    ``device`` is looked for in the devices of notes, ``disc`` in labels, file names,
    codes and purposes, and ``text`` in all that was written.
    """

    def fits(session: BenchSession) -> bool:
        discs = (*session.steps, *session.former)
        notes = [note for one in discs for note in one.notes]
        named = [text for one in discs for text in (*_iter_names(one), one.purpose)]
        written = [session.name, session.machine, *named, *(note.sentence for note in notes)]
        return all(
            not wanted or any(wanted.casefold() in place.casefold() for place in places)
            for wanted, places in (
                (machine, [session.machine]),
                (device, [note.device for note in notes]),
                (disc, named),
                (text, written),
            )
        )

    return [session for session in sessions if fits(session)]


def sessions_of(sessions: Sequence[BenchSession], machine: str) -> list[BenchSession]:
    """Return the sessions of the one machine that a few words mean, in the given order.

    The whole name counts before a part of it, letter case aside. Raises
    :class:`InputError` when none is meant, or several are.
    """
    wanted = machine.casefold().strip()
    whole = [one for one in sessions if one.machine.casefold() == wanted]
    found = whole or [one for one in sessions if wanted in one.machine.casefold()]
    names = sorted({one.machine for one in found}, key=str.casefold)
    if len({name.casefold() for name in names}) > 1:
        shown = ", ".join(names[:_SHOWN]) + (", …" if len(names) > _SHOWN else "")
        raise InputError(
            f"{machine!r} is a part of the names of several machines ({shown}); use a longer name"
        )
    if not found:
        near = did_you_mean(machine, [one.machine for one in sessions])
        raise InputError(
            f"no session of a machine named {machine!r} is on record{near} "
            "(see: mediashelf session list)"
        )
    return found


def of_machine(sessions: Sequence[BenchSession], session: BenchSession) -> list[BenchSession]:
    """Return all sessions of a session's machine, the earliest first; itself where it names none.

    Letter case aside.
    """
    if not session.machine:
        return [session]
    name = session.machine.casefold()
    alike = [one for one in sessions if one.machine.casefold() == name]
    return sorted(alike, key=lambda one: (one.begun_at, one.id))


def named_disc(session: BenchSession, name: str) -> SessionDisc:
    """Return the disc that a few words mean.

    In this order: its position; its code, label or file name, whole or a word of
    it; ``next``, the first that is open; the beginning of one of these, and a part of
    them or of the purpose, when only one disc has it. Letter case aside. Raises
    :class:`InputError` that lists the discs.
    """
    wanted = name.casefold().strip()
    is_number = wanted.isdecimal() and wanted.isascii()
    for disc in session.steps:
        if is_number and disc.position == int(wanted):
            return disc
    whole = [disc for disc in session.steps if wanted in _names(disc)]
    if not whole and wanted == NEXT:
        if session.next_step is None:
            raise InputError(f"no disc is open; name one of: {_steps(session.steps)}")
        return session.next_step
    found = whole or ([] if is_number else _first_found(session.steps, wanted))
    if len(found) == 1:
        return found[0]
    if found:
        raise InputError(
            f"{name!r} matches several discs of {session.name}: {_steps(found)}; "
            "use the position or the code"
        )
    hint = did_you_mean(name, [text for one in session.steps for text in _names(one)])
    raise InputError(
        f"{name!r} is not a disc of {session.name}{hint}; its discs: {_steps(session.steps)}"
    )


def _first_found(discs: Sequence[SessionDisc], wanted: str) -> list[SessionDisc]:
    tests: tuple[Callable[[SessionDisc], bool], ...] = (
        lambda disc: any(text.startswith(wanted) for text in _names(disc)),
        lambda disc: any(wanted in text for text in (*_names(disc), disc.purpose.casefold())),
    )
    for fits in tests:
        found = [disc for disc in discs if wanted and fits(disc)]
        if found:
            return found
    return []


def _names(disc: SessionDisc) -> set[str]:
    return {text.casefold() for text in _iter_names(disc) if text}


def _iter_names(disc: SessionDisc) -> Iterator[str]:
    stem = disc.path.rpartition("/")[2].rpartition(".")[0] or disc.path
    yield from (disc.code, disc.label, disc.path, stem)
    # Cards are read at a glance: of 02-K7C-DRIVERS a person may type any word.
    yield from re.split(r"[-_. ]+", stem)
    yield stem.partition("-")[2]


def _steps(discs: Sequence[SessionDisc]) -> str:
    shown = [f"{disc.position} {disc.title}" for disc in discs[:_SHOWN]]
    left_out = len(discs) - _SHOWN
    return ", ".join(shown) + (f" and {left_out} more" if left_out > 0 else "")


def _title(session: BenchSession) -> str:
    machine = f", {session.machine}" if session.machine else ""
    return f"{session.id}: {session.name}{machine}"
