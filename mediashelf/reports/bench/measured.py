"""What was measured on a machine, over all its sessions: configuration by value."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

from msgspec import Struct

from mediashelf.catalogue.bench.session_rows import (
    BenchSession,
    SessionDisc,
    SessionNote,
    not_taken_back,
)

CSV_HEAD = (
    *("session", "machine", "begun", "disc", "label", "sha256", "system", "device", "note"),
    *("outcome", "noted", "name", "value"),
)


class MeasuredCell(Struct, frozen=True):
    """The values of one name for one configuration, the earliest first.

    ``bars`` are their shares of the largest in the column, in per cent, where the
    column has several values and all are numbers; else empty.
    """

    values: tuple[str, ...]
    bars: tuple[int, ...] = ()


class MeasuredRow(Struct, frozen=True):
    """One configuration: what was noted with the values, of which disc and device, where.

    ``about`` is all of it in one line, the disc of a device only where two would read alike.
    """

    system: str
    device: str
    disc: str
    text: str
    noted: str
    cells: tuple[MeasuredCell, ...]
    about: str


class MeasuredTable(Struct, frozen=True):
    """The values of a machine; ``names`` are the columns. Empty when nothing was measured."""

    names: tuple[str, ...]
    rows: tuple[MeasuredRow, ...]
    sessions: int


def measured_table(sessions: Sequence[BenchSession]) -> MeasuredTable:
    """Return what was measured in some sessions, a row for each configuration."""
    kept = list(_notes(sessions))
    names = tuple(dict.fromkeys(name for _, _, note in kept for name, _ in note.measured))
    groups: dict[tuple[str, str, str, str], list[SessionNote]] = {}
    for _, disc, note in kept:
        key = (_system(disc, note), note.device, disc.name, note.text)
        folded = next((one for one in groups if _folded(one) == _folded(key)), key)
        groups.setdefault(folded, []).append(note)
    columns = [
        [[value for note in notes for key, value in note.measured if key == name]
         for notes in groups.values()]
        for name in names
    ]  # fmt: skip
    drawn = [list(_cells(column)) for column in columns]
    short = [_about(system, device or disc, text) for system, device, disc, text in groups]
    rows = tuple(
        MeasuredRow(
            *key,
            _days(notes),
            tuple(column[number] for column in drawn),
            _about(*key) if short.count(short[number]) > 1 else short[number],
        )
        for number, (key, notes) in enumerate(groups.items())
    )
    return MeasuredTable(names, rows, len({session.id for session, _, _ in kept}))


def measured_csv(sessions: Sequence[BenchSession]) -> str:
    """Return one line a value, with all that is known of it (RFC 4180)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(CSV_HEAD)
    for session, disc, note in _notes(sessions):
        known = (
            *(session.id, session.machine, session.begun_at, disc.position, disc.name),
            *(disc.sha256, _system(disc, note), note.device, note.text),
            *(note.outcome.value, note.noted_at),
        )
        writer.writerows((*known, name, value) for name, value in note.measured)
    return out.getvalue()


def _notes(
    sessions: Sequence[BenchSession],
) -> Iterator[tuple[BenchSession, SessionDisc, SessionNote]]:
    """Yield the notes with values that nobody took back, the earliest first."""
    found = [
        (session, disc, note)
        for session in sessions
        for disc in (*session.former, *session.steps)
        for note in not_taken_back(disc.notes)
        if note.measured
    ]
    yield from sorted(found, key=lambda one: one[2].noted_at)


def _about(*words: str) -> str:
    return ", ".join(word for word in words if word)


def _system(disc: SessionDisc, note: SessionNote) -> str:
    return note.system or ", ".join(disc.targets)


def _folded(key: tuple[str, ...]) -> list[str]:
    return [word.casefold() for word in key]


def _days(notes: Sequence[SessionNote]) -> str:
    days = dict.fromkeys(note.noted_at[:10] for note in notes)
    first, last = min(days), max(days)
    return first if first == last else f"{first} to {last}"


def _cells(column: Sequence[Sequence[str]]) -> Iterator[MeasuredCell]:
    numbers = [[measured_number(value) for value in values] for values in column]
    flat = [number for values in numbers for number in values]
    most = max((number for number in flat if number is not None), default=0.0)
    is_drawn = len(flat) > 1 and most > 0 and all(one is not None and one >= 0 for one in flat)
    for values, known in zip(column, numbers, strict=True):
        bars = tuple(round(100 * (one or 0) / most) for one in known) if is_drawn else ()
        yield MeasuredCell(tuple(values), bars)


def measured_number(value: str) -> float | None:
    """Return a decimal number, None for other texts; a comma is not taken for a point."""
    text = value.strip()
    if not text.replace(".", "", 1).removeprefix("-").isdecimal() or not text.isascii():
        return None
    return float(text)
