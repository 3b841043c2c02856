"""Bench sessions as values: what was prepared, and what was noted of each disc."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path

from msgspec import Struct

OPEN = "open"
"""Stands for what nobody has noted anything of."""

NO_SYSTEM = ""
"""Stands in the place of a system for a disc that is for none, such as a memory tester."""


class NoteResult(StrEnum):
    """What a note says; the words are shown to people."""

    WORKED = "worked"
    FAILED = "failed"
    WITHDRAWN = "withdrawn"  # takes earlier notes back: the step is open again


class SessionNote(Struct, frozen=True):
    """What happened with one disc.

    ``system`` is the target it happened on; empty for every target of the disc.
    ``device`` is what it was about; empty for the disc as a whole. ``measured`` are
    pairs of a name and a value, as they were written.
    """

    outcome: NoteResult
    system: str
    device: str
    text: str
    noted_at: str
    measured: tuple[tuple[str, str], ...] = ()

    @property
    def sentence(self) -> str:
        """The note in one line: ``failed on nt4, Larkspur video: no picture``."""
        words = self.outcome.value + (f" on {self.system}" if self.system else "")
        words += f", {self.device}" if self.device else ""
        told = [self.text, *(f"{name} = {value}" for name, value in self.measured)]
        text = "; ".join(one for one in told if one)
        return words + (f": {text}" if text else "")


class SessionDisc(Struct, frozen=True):
    """One disc of a session with its notes, oldest first.

    ``code`` is its short code, empty on cards of older versions. ``replaced_at`` is
    set when other bytes took its place in the session. A disc that is yet to be
    recorded has no ``id``, and a ``source`` where the image that it was copied from
    is known.
    """

    position: int
    code: str
    path: str
    label: str
    purpose: str
    targets: tuple[str, ...]
    size: int
    xxh3_128: str
    sha256: str
    id: int = 0
    staged_at: str = ""
    replaced_at: str | None = None
    notes: tuple[SessionNote, ...] = ()
    source: Path | None = None

    @property
    def name(self) -> str:
        """The label to show, or the file's name on the card."""
        return self.label or self.path

    @property
    def title(self) -> str:
        """The name, and the code where the disc has one."""
        return f"{self.name} ({self.code})" if self.code else self.name

    @property
    def systems(self) -> tuple[str, ...]:
        """The systems that the disc is for, :data:`NO_SYSTEM` where it is for none."""
        return self.targets or (NO_SYSTEM,)

    @property
    def outcome(self) -> NoteResult | None:
        """Failed when any note in force says so, worked when it did on each of its systems.

        None while it is open. What was noted of a device says nothing of the disc.
        """
        if any(note.outcome is NoteResult.FAILED for note in in_force(self.notes)):
            return NoteResult.FAILED
        return None if self._open_systems else NoteResult.WORKED

    @property
    def is_open(self) -> bool:
        """Whether the disc as a whole is still to be noted on a system, and failed on none."""
        whole = [note for note in in_force(self.notes) if not note.device]
        has_failed = any(note.outcome is NoteResult.FAILED for note in whole)
        return bool(self._open_systems) and not has_failed

    @property
    def _open_systems(self) -> tuple[str, ...]:
        return tuple(name for name in self.systems if self.note_on(name, "") is None)

    @property
    def word(self) -> str:
        """The outcome as a word: worked, failed or :data:`OPEN`."""
        return self.outcome.value if self.outcome is not None else OPEN

    @property
    def told(self) -> tuple[tuple[SessionNote, bool], ...]:
        """Every note, and whether it still holds: was neither replaced nor withdrawn."""
        held = in_force(self.notes)
        return tuple((note, any(note is one for one in held)) for note in self.notes)

    def note_on(self, system: str, device: str) -> SessionNote | None:
        """Return the note that holds for a device on one system, or None while it is open.

        An empty ``device`` is the disc as a whole. A note for every target says
        nothing of a system that is none.
        """
        for note in reversed(self.notes):
            if _same(note.device, device) and note.system in ("", system):
                holds = note.system == system or system in self.systems
                return note if holds and note.outcome is not NoteResult.WITHDRAWN else None
        return None


class PreparedSession(Struct, frozen=True):
    """A card that was prepared; ``made_at`` is the moment in its manifest."""

    name: str
    machine: str
    card: Path
    made_at: str
    discs: tuple[SessionDisc, ...]


class BenchSession(Struct, frozen=True):
    """One session: ``steps`` are its discs in order, ``former`` those that were replaced.

    ``made_at`` is the moment in the manifest, ``begun_at`` when it was first and
    ``prepared_at`` when it was last prepared or seen on a card.
    """

    id: int
    name: str
    machine: str
    card: Path
    made_at: str
    begun_at: str
    prepared_at: str
    steps: tuple[SessionDisc, ...] = ()
    former: tuple[SessionDisc, ...] = ()

    @property
    def is_finished(self) -> bool:
        """Whether every disc worked."""
        return bool(self.steps) and all(disc.outcome is NoteResult.WORKED for disc in self.steps)

    @property
    def counts(self) -> str:
        """How many discs worked, failed and are open: ``2 worked, 1 open``."""
        words = [disc.word for disc in self.steps]
        order = (NoteResult.WORKED.value, NoteResult.FAILED.value, OPEN)
        return ", ".join(f"{words.count(one):,} {one}" for one in order if one in words)

    @property
    def last_sign(self) -> str:
        """The moment of the last preparation or note."""
        discs = (*self.steps, *self.former)
        return max([self.prepared_at, *(note.noted_at for disc in discs for note in disc.notes)])

    @property
    def next_step(self) -> SessionDisc | None:
        """The first disc that is not noted as a whole on each of its systems, or None."""
        return next((disc for disc in self.steps if disc.is_open), None)


def in_force(notes: Iterable[SessionNote]) -> list[SessionNote]:
    """Return the notes that still hold, oldest first.

    A note gives way to a later one of the same device for the same system, or for
    every system.
    """
    held: list[SessionNote] = []
    for note in notes:
        held = [one for one in held if not _replaces(note, one)]
        held.append(note)
    return [note for note in held if note.outcome is not NoteResult.WITHDRAWN]


def _replaces(later: SessionNote, earlier: SessionNote) -> bool:
    return _same(later.device, earlier.device) and later.system in ("", earlier.system)


def _same(device: str, other: str) -> bool:
    return device.casefold() == other.casefold()


def not_taken_back(notes: Iterable[SessionNote]) -> list[SessionNote]:
    """Return the notes that nobody withdrew, oldest first, whatever was noted later.

    What was measured stays true when the next driver is tried.
    """
    held: list[SessionNote] = []
    for note in notes:
        if note.outcome is NoteResult.WITHDRAWN:
            held = [one for one in held if not _replaces(note, one)]
        else:
            held.append(note)
    return held
