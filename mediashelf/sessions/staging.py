"""Put images on the card: each appears whole and confirmed, or not at all."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

from mediashelf.building.write import build_disc
from mediashelf.errors import InputError, OutputError, StagingError
from mediashelf.files import whole_output
from mediashelf.integrity.digests import Digester
from mediashelf.sessions.arrange import Action, Step
from mediashelf.sessions.manifest_values import CardFile, FileDigests
from mediashelf.sessions.readback import (
    ALGORITHMS,
    ReadBack,
    as_file_digests,
    digest_whole,
    read_back,
)
from mediashelf.sessions.records import is_there, leftovers, write_journal

CHUNK = 1 << 20

OnBytes = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Staged:
    """One disc that is on the card, with the digests that were confirmed there."""

    step: Step
    size: int
    digests: FileDigests
    confirmed: str

    @property
    def file(self) -> CardFile:
        """The image as a file on the card."""
        return CardFile(self.step.path, self.size, self.digests)


def stage_discs(
    steps: Sequence[Step],
    card: Path,
    earlier: Sequence[CardFile],
    *,
    on_bytes: OnBytes = lambda count: None,
) -> list[Staged]:
    """Carry out an arrangement, disc by disc.

    ``earlier`` are the files that were ours before; they and every file that is
    about to get its name stand in the journal on the card, so that a run that is
    killed at any moment leaves nothing that the next run does not know.
    ``on_bytes`` counts bytes written and bytes read back.

    Raises :class:`StagingError` when the card is full, fails, or does not give
    back what was written, and when a source cannot be read or changes. What is
    whole by then stays; nothing else is left behind.
    """
    for partial in leftovers(card):
        with suppress(OSError):
            partial.unlink()
    staged: list[Staged] = []
    ours = list(earlier)
    for step in steps:
        if step.action is Action.REPEAT:
            assert step.disc.repeats is not None
            first = staged[step.disc.repeats - 1]
            staged.append(Staged(step, first.size, first.digests, first.confirmed))
            continue
        staged.append(_stage(step, card, ours, on_bytes))
        ours.append(staged[-1].file)
    return staged


def _stage(step: Step, card: Path, ours: Sequence[CardFile], on_bytes: OnBytes) -> Staged:
    final = card / step.path
    if step.kept is not None:
        staged = Staged(step, step.kept.size, step.kept.digests, step.kept.word)
        if step.action is Action.RENAME:
            write_journal(card, [*ours, staged.file])
            _refuse_newcomer(step, card, ours)
            (card / step.old_path).replace(final)
        return staged
    try:
        with whole_output(final) as temporary:
            if step.source is None:
                digests = _build(step, temporary, on_bytes)
            else:
                digests = _copy(step, step.source, temporary, on_bytes)
            found = read_back(temporary, on_bytes=on_bytes)
            _compare(step, found, digests)
            staged = Staged(step, found.size, found.digests, found.word)
            write_journal(card, [*ours, staged.file])
            _refuse_newcomer(step, card, ours)
    except OutputError as error:
        raise StagingError(_without_room(step, error)) from error
    return staged


def _refuse_newcomer(step: Step, card: Path, ours: Sequence[CardFile]) -> None:
    """Refuse to take the place of a file that is not ours and was not there a while ago."""
    is_ours = any(file.path == step.path and is_there(card, file) for file in ours)
    if os.path.lexists(card / step.path) and not is_ours:
        raise StagingError(
            f"{step.path}: somebody put a file of this name on the card meanwhile; run again"
        )


def _build(step: Step, temporary: Path, on_bytes: OnBytes) -> FileDigests:
    """Build a recipe's disc on the card and return its digests, before the card is asked.

    The builder reads the disc back and compares every file, but from the
    system's memory.
    """
    plan = step.disc.source.disc_plan
    assert plan is not None
    build_disc(plan, temporary, anyway=True, on_bytes=on_bytes)
    try:
        return digest_whole(temporary)
    except InputError as error:
        raise StagingError(f"the card does not give the disc back: {error}") from error


def _copy(step: Step, source: Path, temporary: Path, on_bytes: OnBytes) -> FileDigests:
    """Copy and return the digests of what was read from the source.

    Errors of the source are told apart from those of the card, because what to
    do next is different.
    """
    digester = Digester(ALGORITHMS, block_size=0)
    expected_size, size = step.disc.size, 0
    with _open_source(source) as reading, temporary.open("wb") as writing:
        before = os.fstat(reading.fileno())
        # One byte more than expected is enough to know of a file that grows.
        while size <= expected_size and (chunk := _read(reading, source)):
            digester.update(chunk)
            writing.write(chunk)
            size += len(chunk)
            on_bytes(len(chunk))
        after = os.fstat(reading.fileno())
    digests = as_file_digests(digester.finish())
    stamp = step.disc.source.mtime_ns
    is_same = (
        size == expected_size
        and (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)
        and stamp in (None, before.st_mtime_ns)
        and step.expected in (None, digests)
    )
    if not is_same:
        raise StagingError(
            f"{source}: changed after it was checked ({size:,} bytes were read, "
            f"{expected_size:,} expected); leave it alone while the card is prepared, and run again"
        )
    return digests


def _open_source(source: Path) -> FileIO:
    try:
        return source.open("rb", buffering=0)
    except OSError as error:
        raise StagingError(f"{source}: cannot be opened: {error.strerror or error}") from error


def _read(reading: FileIO, source: Path) -> bytes:
    try:
        return reading.read(CHUNK)
    except OSError as error:
        raise StagingError(
            f"{source}: cannot be read at or after byte {reading.tell():,}: "
            f"{error.strerror or error}"
        ) from error


def _compare(step: Step, found: ReadBack, digests: FileDigests) -> None:
    if found.size != step.disc.size or found.digests != digests:
        raise StagingError(
            f"{step.path}: the card gave back other bytes than were written; "
            "it is failing, or not what it says it is: use another card"
        )


def _without_room(step: Step, error: OutputError) -> str:
    cause = error.__cause__
    if isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT):
        return (
            f"{step.path}: the card is full; nothing of this disc was left on it. Make room "
            "(--tidy removes what earlier sessions put there) and run again: what is whole is kept"
        )
    if isinstance(cause, OSError) and cause.errno == errno.EFBIG:
        return f"{step.path}: the card's file system takes no file of {step.disc.size:,} bytes"
    return f"{error}. Look at the card and run again: what is whole is kept"
