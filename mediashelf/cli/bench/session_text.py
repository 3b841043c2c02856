"""What ``mediashelf session`` prints for people; mostly read on a small screen at the bench."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from msgspec.structs import replace

from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    NoteResult,
    SessionDisc,
    SessionNote,
    in_force,
)
from mediashelf.cli.render import say, say_wrapped, table, terminal_width
from mediashelf.text import count_text, display_width, printable

if TYPE_CHECKING:
    from mediashelf.reports.bench.measured import MeasuredCell, MeasuredTable
    from mediashelf.reports.bench.session_report import SessionReport

_NO_SYSTEM = "no system"

_LEAST_BAR, _LONGEST_BAR = 8, 50  # columns of the longest bar

_LEAST_WHAT = 16  # columns for a device or purpose before the table is given up


def say_noted(session: BenchSession, disc: SessionDisc, note: SessionNote) -> None:
    """Say what was noted, what that took the place of, and what comes next."""
    words = note.sentence
    earlier = _earlier(disc, note)
    if note.outcome is NoteResult.WITHDRAWN:
        about = words.removeprefix(note.outcome.value)
        words = f"open again{about}" if _takes_back(disc, note) else f"nothing to take back{about}"
    say_wrapped(f"{session.name}, {disc.position} {disc.title}: {words}")
    if earlier is not None:
        say_wrapped(f"replaces: {earlier.sentence}", indent=2)
    following = session.next_step
    if following is not None:
        say_wrapped(f"next: {following.position} {following.title}", indent=2)
    else:
        say_wrapped("no disc is open; next: mediashelf session report", indent=2)


def _takes_back(disc: SessionDisc, note: SessionNote) -> bool:
    """Return whether something was noted that held until this, the last note of the disc."""
    before = replace(disc, notes=disc.notes[:-1])
    if note.system:
        return before.note_on(note.system, note.device) is not None
    return any(one.device.casefold() == note.device.casefold() for one in in_force(before.notes))


def _earlier(disc: SessionDisc, note: SessionNote) -> SessionNote | None:
    """Return the note before this one of the same device and system, where that held."""
    alike = [
        one
        for one in disc.notes
        if one.system == note.system and one.device.casefold() == note.device.casefold()
    ]
    before = alike[-2] if len(alike) > 1 else None
    return None if before is None or before.outcome is NoteResult.WITHDRAWN else before


def say_sessions(sessions: Sequence[BenchSession], *, quiet: bool, nothing: str) -> None:
    """Print the sessions as a table, or ``nothing`` when there are none."""
    if not sessions:
        if not quiet:
            say_wrapped(nothing)
        return
    headers = ("session", "number", "machine", "prepared", "discs", "card")
    rows = [
        (
            session.name,
            str(session.id),
            session.machine,
            session.prepared_at[:16].replace("T", " "),
            session.counts,
            str(session.card),
        )
        for session in sessions
    ]
    for line in table(headers, rows, right="number"):
        say(line)
    if not quiet:
        say(count_text(len(sessions), "session"))


def say_report(report: SessionReport, *, quiet: bool) -> None:
    """Print the report: what worked on which system, then what is open."""
    if not quiet:
        machine = f", for {report.machine}" if report.machine else ""
        say_wrapped(f"{report.name}{machine}")
        noted = f", noted {report.noted}" if report.noted else ""
        say_wrapped(f"prepared {report.prepared}{noted} (UTC)")
        say()
    headers = ("what", "disc", *(name or _NO_SYSTEM for name in report.systems))
    others = sum(max(len("worked"), display_width(name)) + 2 for name in headers[1:])
    room = terminal_width() - others
    if room < _LEAST_WHAT:
        room = terminal_width()  # too narrow for a table: each row has lines of its own
    rows = [
        (
            _cut(row.about, room),
            str(row.position),
            *(row.outcome(system) for system in report.systems),
        )
        for row in report.rows
    ]
    for line in table(headers, rows, right="disc"):
        say(line)
    _say_texts(report)
    _say_measured(report.measured)
    if quiet:
        return
    say()
    for disc in report.former:
        notes = "; ".join(note.sentence for note, holds in disc.told if holds)
        if notes:
            say_wrapped(f"Before {disc.position} {disc.name} was replaced: {notes}")
    say_wrapped(f"{report.headline}.")


def _cut(text: str, room: int) -> str:
    """Return the beginning of a text that fits into so many columns."""
    shown = printable(text[: 2 * room])  # a note may be as long as a book
    if display_width(shown) <= room:
        return shown
    while display_width(shown) > room - 1:
        shown = shown[:-1]
    return f"{shown.rstrip()}…"


def _say_texts(report: SessionReport) -> None:
    """Print what was noted in words, under the table that has no room for it."""
    noted = [(row, systems, text) for row in report.rows for systems, text in row.texts]
    if noted:
        say()
    for row, systems, text in noted:
        where = f" on {systems}" if systems else ""
        say_wrapped(f"disc {row.position}, {row.about}{where}: {text}")


def _say_measured(measured: MeasuredTable) -> None:
    """Print the values of all sessions of the machine, a line a configuration."""
    if not measured.rows:
        return
    say()
    say_wrapped(f"Values of this machine, from {count_text(measured.sessions, 'session')}")
    rows = [
        (row.about, row.noted, *(", ".join(cell.values) for cell in row.cells))
        for row in measured.rows
    ]
    for line in table(("configuration", "noted", *measured.names), rows):
        say(line)
    for number, name in enumerate(measured.names):
        _say_plot(name, [(row.about, row.cells[number]) for row in measured.rows])


def _say_plot(name: str, cells: Sequence[tuple[str, MeasuredCell]]) -> None:
    """Draw the values of one name as bars, where they are numbers that can be compared."""
    drawn = [(about, cell) for about, cell in cells if cell.bars]
    if not drawn:
        return
    say()
    say_wrapped(name)
    most = max(display_width(value) for _, cell in drawn for value in cell.values)
    room = max(_LEAST_BAR, min(_LONGEST_BAR, terminal_width() - most - 4))
    for about, cell in drawn:
        say_wrapped(about)
        for value, share in zip(cell.values, cell.bars, strict=True):
            say(
                f"  {' ' * (most - display_width(value))}{value}  {'#' * round(share * room / 100)}"
            )
