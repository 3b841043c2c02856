"""Put images on the card: each appears whole and confirmed, or not at all."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from mediashelf.building.writing.write import build_disc
from mediashelf.errors import InputError, OutputError, StagingError
from mediashelf.files import rename_whole, whole_output
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.sessions.cards.arrange import Action, Step
from mediashelf.sessions.cards.lock import HeldCard
from mediashelf.sessions.cards.records import is_there, leftovers, write_journal
from mediashelf.sessions.discs.image_source import ImageSource, read_served, read_stamp
from mediashelf.sessions.manifests.fields import Confirmed
from mediashelf.sessions.manifests.parts import CardFile, FileDigests
from mediashelf.sessions.reading_back import (
    ALGORITHMS,
    ReadBack,
    as_file_digests,
    digest_whole,
    read_back_file,
)

OnBytes = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Staged:
    """One disc that is on the card, with the digests that were confirmed there.

    ``original`` are the digests of the file that the image was made of; None for a
    disc that was built.
    """

    step: Step
    size: int
    digests: FileDigests
    confirmed: Confirmed
    original: FileDigests | None = None

    @property
    def file(self) -> CardFile:
        """The image as a file on the card."""
        return CardFile(self.step.path, self.size, self.digests)


def stage_discs(
    steps: Sequence[Step],
    held: HeldCard,
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
    had_leftovers = _remove_leftovers(held.folder)
    staged: list[Staged] = []
    ours = list(earlier)
    for step in steps:
        if step.action is Action.REPEAT:
            assert step.disc.repeats is not None
            first = staged[step.disc.repeats - 1]
            staged.append(replace(first, step=step))
            continue
        held.refuse_other()
        staged.append(_stage(step, held, ours, on_bytes))
        ours.append(staged[-1].file)
    if had_leftovers:
        _confirm_kept(staged, held, on_bytes)
    return staged


def _remove_leftovers(folder: Path) -> bool:
    """Remove what killed runs left half done; return whether there was any."""
    partials = leftovers(folder)
    for partial in partials:
        with suppress(OSError):
            partial.unlink()
    return bool(partials)


def _confirm_kept(staged: Sequence[Staged], held: HeldCard, on_bytes: OnBytes) -> None:
    """Read once more what stayed on a card that was pulled while it was written.

    On FAT a half-done file and a whole one can then share their clusters, and
    removing the one spoils the other.
    """
    for one in staged:
        if one.step.kept is None:
            continue
        found = read_back_file(held.folder / one.step.path, on_bytes=on_bytes)
        if found.digests != one.digests:
            raise StagingError(
                f"{one.step.path}: was spoiled when the remains of a stopped run were removed, as "
                "happens on a card that was pulled; have its file system checked, and run again"
            )


def _stage(step: Step, held: HeldCard, ours: Sequence[CardFile], on_bytes: OnBytes) -> Staged:
    card = held.folder
    final = card / step.path
    if step.kept is not None:
        staged = _staged(step, step.kept)
        if step.action is Action.RENAME:
            write_journal(card, [*ours, staged.file])
            _refuse_newcomer(step, card, ours)
            rename_whole(card / step.old_path, final)
        return staged
    try:
        with whole_output(final) as temporary:
            if step.image is None:
                digests = _build(step, temporary, on_bytes)
            else:
                digests = _copy(step, step.image, temporary, on_bytes)
            found = read_back_file(temporary, on_bytes=on_bytes)
            _compare(step, found, digests)
            staged = _staged(step, found)
            held.refuse_other()
            write_journal(card, [*ours, staged.file])
            _refuse_newcomer(step, card, ours)
    except OutputError as error:
        raise StagingError(_without_room(step, error)) from error
    return staged


def _staged(step: Step, found: ReadBack) -> Staged:
    """Return what is known of a disc that the card gave back as it should be."""
    original = step.original
    if original is None and step.disc.source.disc_plan is None:
        original = found.digests  # it is a plain copy
    return Staged(step, found.size, found.digests, found.word, original)


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


def _copy(step: Step, image: ImageSource, temporary: Path, on_bytes: OnBytes) -> FileDigests:
    """Copy or convert, and return the digests of what was written, from before it was written.

    Errors of the source are told apart from those of the card, because what to
    do next is different.
    """
    digester = Digester(ALGORITHMS, block_size=0)
    with temporary.open("wb") as writing:

        def take(data: bytes) -> None:
            digester.update(data)
            writing.write(data)

        try:
            before = read_stamp(image.path)
            read_served(image, take, on_bytes=on_bytes)
            after = read_stamp(image.path)
        except InputError as error:
            raise StagingError(str(error)) from error
    written = digester.finish()
    digests = as_file_digests(written)
    is_same = (
        written.size == step.disc.size
        and before == after
        and image.stamp in (None, before)
        and step.expected in (None, digests)
    )
    if not is_same:
        raise StagingError(
            f"{image.path}: changed after it was checked ({written.size:,} bytes came of it, "
            f"{step.disc.size:,} expected); leave it alone while the card is prepared, and run "
            "again"
        )
    return digests


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
