"""What came of a bench session: system by device, what worked, for keeping or publishing.

It contains no local paths; discs are named by label and
digest, so that a reader with the same disc can tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec import Struct

from mediashelf.catalogue.bench.session_rows import (
    NO_SYSTEM,
    OPEN,
    BenchSession,
    NoteResult,
    SessionDisc,
    SessionNote,
    in_force,
)
from mediashelf.readability.target_files import BUILT_IN
from mediashelf.reports.bench.measured import MeasuredTable, measured_table
from mediashelf.reports.pages import render_page
from mediashelf.text import count_text


class ReportCell(Struct, frozen=True):
    """What happened on some systems; ``outcome`` is worked, failed or :data:`OPEN`."""

    systems: tuple[str, ...]
    outcome: str
    text: str = ""
    noted_at: str = ""


class ReportRow(Struct, frozen=True):
    """A device, or a disc as a whole where ``is_device`` is False, on every system.

    ``cells`` join systems of which the same is to be said. A system that the disc
    is not for, and of which nothing was noted, has none.
    """

    about: str
    is_device: bool
    position: int
    disc: str
    cells: tuple[ReportCell, ...]

    def outcome(self, system: str) -> str:
        """Return the outcome on one system, or an empty text where there is none to tell."""
        return next((cell.outcome for cell in self.cells if system in cell.systems), "")

    @property
    def texts(self) -> tuple[tuple[str, str], ...]:
        """What was noted, with the systems where it does not hold for all of them."""
        return tuple(
            ("" if len(self.cells) == 1 else ", ".join(cell.systems), cell.text)
            for cell in self.cells
            if cell.text
        )


class SessionReport(Struct, frozen=True):
    """All that the report says, in the order in which it says it. Moments are in UTC."""

    name: str
    machine: str
    prepared: str
    noted: str
    headline: str
    mood: str
    systems: tuple[str, ...]
    rows: tuple[ReportRow, ...]
    discs: tuple[SessionDisc, ...]
    former: tuple[SessionDisc, ...]
    open_steps: tuple[str, ...]
    measured: MeasuredTable
    created_by: str


def session_report(
    session: BenchSession, *, created_by: str, of_machine: Sequence[BenchSession] = ()
) -> SessionReport:
    """Return what the report of a session says; ``created_by`` names the program.

    ``of_machine`` are all sessions of the same machine, whose values are told as well.
    """
    rows = tuple(row for disc in session.steps for row in _rows(disc))
    notes = [note for disc in (*session.steps, *session.former) for note in disc.notes]
    return SessionReport(
        name=session.name,
        machine=session.machine,
        prepared=moment(session.prepared_at),
        noted=_span([note.noted_at for note in notes]),
        headline=_headline(session),
        mood=_mood(session),
        systems=in_order_of_age(
            name for row in rows for cell in row.cells for name in cell.systems
        ),
        rows=rows,
        discs=session.steps,
        former=tuple(disc for disc in session.former if disc.notes),
        open_steps=tuple(f"{disc.position} {disc.title}" for disc in session.steps if disc.is_open),
        measured=measured_table(of_machine or [session]),
        created_by=created_by,
    )


def session_html(report: SessionReport) -> str:
    """Return the report as one self-contained HTML page."""
    return render_page("session-report.html", report=report, moment=moment, shown=system_word)


def system_word(system: str) -> str:
    """Return a system as people read it."""
    return "no system" if system == NO_SYSTEM else system


def in_order_of_age(systems: Iterable[str]) -> tuple[str, ...]:
    """Return each system once, the oldest family first; a person's own targets come last."""
    known = {name: number for number, name in enumerate(BUILT_IN)}
    return tuple(sorted(dict.fromkeys(systems), key=lambda name: known.get(name, len(known))))


def moment(text: str) -> str:
    """Return a moment for people, to the minute: ``2026-11-28 09:00``."""
    return text[:16].replace("T", " ")


def _span(moments: Sequence[str]) -> str:
    if not moments:
        return ""
    first, last = moment(min(moments)), moment(max(moments))
    if first == last:
        return first
    return f"{first} to {last[11:] if first[:10] == last[:10] else last}"


def _headline(session: BenchSession) -> str:
    total = count_text(len(session.steps), "disc")
    if session.is_finished:
        return f"{total} worked" if len(session.steps) == 1 else f"All {total} worked"
    return f"{total}: {session.counts}"


def _mood(session: BenchSession) -> str:
    outcomes = {disc.outcome for disc in session.steps}
    if NoteResult.FAILED in outcomes:
        return NoteResult.FAILED.value
    return OPEN if None in outcomes else NoteResult.WORKED.value


def _rows(disc: SessionDisc) -> Iterator[ReportRow]:
    """Yield a row for the disc as a whole, and one for each device that was noted."""
    yield _row(disc, "", disc.purpose or disc.name)
    for device in _spellings(in_force(disc.notes)):
        yield _row(disc, device, device)


def _spellings(notes: Iterable[SessionNote]) -> Iterator[str]:
    """Yield each device as it was written first, whatever its letter case later."""
    seen: set[str] = set()
    for note in notes:
        if note.device and note.device.casefold() not in seen:
            seen.add(note.device.casefold())
            yield note.device


def _row(disc: SessionDisc, device: str, about: str) -> ReportRow:
    noted = [note.system for note in in_force(disc.notes) if note.system]
    groups: dict[SessionNote | None, list[str]] = {}
    for system in in_order_of_age([*disc.systems, *noted]):
        note = disc.note_on(system, device)
        if note is not None or system in disc.systems:
            groups.setdefault(note, []).append(system)
    cells = tuple(
        ReportCell(tuple(systems), OPEN)
        if note is None
        else ReportCell(tuple(systems), note.outcome.value, note.text, moment(note.noted_at))
        for note, systems in groups.items()
    )
    return ReportRow(about, bool(device), disc.position, disc.title, cells)
