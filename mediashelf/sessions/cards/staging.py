"""Put images on the card: each appears whole and confirmed, or not at all."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from msgspec.structs import replace

from mediashelf.disk_writer import write_to_disk
from mediashelf.errors import InputError, OutputError, StagingError
from mediashelf.files import rename_whole, whole_output
from mediashelf.integrity.fixity.digests import Digester, Digests
from mediashelf.integrity.fixity.overlapping import Piece
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.sessions.cards.lock import HeldCard
from mediashelf.sessions.cards.placed import Action, PlacedDisc
from mediashelf.sessions.cards.records import is_there, leftovers, write_journal
from mediashelf.sessions.discs.served_bytes import ServedBytes, read_served, read_stamp
from mediashelf.sessions.manifests.parts import CardFile
from mediashelf.sessions.reading_back import ReadBack, read_back_file

OnBytes = Callable[[int], None]

_QUICK = "xxh3_128"
"""Tells whether the card gives back what it was given. SHA-256 is taken of what it gives back."""


def stage_discs(
    arranged: Sequence[PlacedDisc],
    held: HeldCard,
    earlier: Sequence[CardFile],
    *,
    on_bytes: OnBytes = lambda count: None,
) -> list[PlacedDisc]:
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
    staged: list[PlacedDisc] = []
    ours = list(earlier)
    for placed in arranged:
        if placed.action is Action.REPEAT:
            assert placed.disc.repeats is not None
            first = staged[placed.disc.repeats - 1]
            staged.append(replace(placed, on_card=first.on_card, original=first.original))
            continue
        held.refuse_other()
        staged.append(_stage(placed, held, ours, on_bytes))
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


def _confirm_kept(staged: Sequence[PlacedDisc], held: HeldCard, on_bytes: OnBytes) -> None:
    """Read once more what stayed on a card that was pulled while it was written.

    On FAT a half-done file and a whole one can then share their clusters, and
    removing the one spoils the other.
    """
    for one in staged:
        if one.action not in (Action.KEEP, Action.RENAME):
            continue
        found = read_back_file(held.folder / one.path, on_bytes=on_bytes)
        if found.digests != one.file.digests:
            raise StagingError(
                f"{one.path}: was damaged when the files of a stopped run were removed, as "
                "happens on a card that was pulled out; check its file system, and run again"
            )


def _stage(
    placed: PlacedDisc, held: HeldCard, ours: Sequence[CardFile], on_bytes: OnBytes
) -> PlacedDisc:
    card = held.folder
    final = card / placed.path
    if placed.on_card is not None:
        staged = _staged(placed, placed.on_card)
        if placed.action is Action.RENAME:
            _announce(staged, held, ours)
            rename_whole(card / placed.old_path, final)
        return staged
    try:
        with whole_output(final) as temporary:
            if placed.image is None:
                written = _build(placed, temporary, on_bytes)
            else:
                written = _copy(placed, placed.image, temporary, on_bytes)
            found = read_back_file(temporary, on_bytes=on_bytes)
            _compare(placed, found, written)
            staged = _staged(placed, found)
            held.refuse_other()
            _announce(staged, held, ours)
    except OutputError as error:
        raise StagingError(_without_room(placed, error)) from error
    return staged


def _staged(placed: PlacedDisc, found: ReadBack) -> PlacedDisc:
    """Return what is known of a disc that the card gave back as it should be."""
    original = placed.original
    if original is None and placed.disc.source.disc_plan is None:
        original = found.digests  # it is a plain copy
    return replace(placed, on_card=found, original=original)


def _announce(staged: PlacedDisc, held: HeldCard, ours: Sequence[CardFile]) -> None:
    """Note in the journal what gets its name next; nobody else's file may have it."""
    held.is_changed = True
    write_journal(held.folder, [*ours, staged.file])
    _refuse_newcomer(staged, held.folder, ours)


def _refuse_newcomer(placed: PlacedDisc, card: Path, ours: Sequence[CardFile]) -> None:
    """Refuse to take the place of a file that is not ours and was not there a while ago."""
    is_ours = any(file.path == placed.path and is_there(card, file) for file in ours)
    if os.path.lexists(card / placed.path) and not is_ours:
        raise StagingError(
            f"{placed.path}: a file of this name appeared on the card during the run; run again"
        )


def _build(placed: PlacedDisc, temporary: Path, on_bytes: OnBytes) -> Digests:
    """Build a recipe's disc on the card and digest it, before the card is asked.

    The builder reads the disc back and compares every file, but from the
    system's memory.
    """
    plan = placed.disc.source.disc_plan
    assert plan is not None
    from mediashelf.building.writing.write import build_disc  # most discs are there already

    build_disc(plan, temporary, anyway=True, on_bytes=on_bytes)
    try:
        return digest_file(temporary, algorithms=(_QUICK,), block_size=0)
    except InputError as error:
        raise StagingError(f"the disc cannot be read back from the card: {error}") from error


def _copy(placed: PlacedDisc, image: ServedBytes, temporary: Path, on_bytes: OnBytes) -> Digests:
    """Copy or convert, and digest what is written, before it is written; it is flushed then.

    Errors of the source (:class:`StagingError`) are told apart from those of the card
    (``OSError``), because what to do next is different.
    """
    digester = Digester((_QUICK,), block_size=0)
    with write_to_disk(temporary) as write:

        def take(data: Piece) -> None:
            digester.update(data)
            write(data)

        try:
            before = read_stamp(image.path)
            read_served(image, take, on_bytes=on_bytes)
            after = read_stamp(image.path)
        except InputError as error:
            raise StagingError(str(error)) from error
    written = digester.finish()
    expected = placed.expected
    is_same = (
        written.size == placed.disc.size
        and before == after
        and image.stamp in (None, before)
        and (expected is None or expected.xxh3_128 == written.whole[_QUICK])
    )
    if not is_same:
        raise _changed(placed, image, written.size)
    return written


def _changed(placed: PlacedDisc, image: ServedBytes, size: int) -> StagingError:
    expected = placed.disc.size
    how = (
        "its modification time or its bytes"
        if size == expected
        else f"{size:,} bytes came of it, {expected:,} expected"
    )
    return StagingError(
        f"{image.path}: changed after it was checked ({how}); do not change it while the card is "
        "prepared, and run again"
    )


def _compare(placed: PlacedDisc, found: ReadBack, written: Digests) -> None:
    if (found.size, found.digests.xxh3_128) != (placed.disc.size, written.whole[_QUICK]):
        raise StagingError(
            f"{placed.path}: the bytes read back differ from those written; "
            "the card is failing, or smaller than it claims: use another card"
        )
    if placed.image is not None and placed.expected not in (None, found.digests):
        raise _changed(placed, placed.image, found.size)


def _without_room(placed: PlacedDisc, error: OutputError) -> str:
    cause = error.__cause__
    if isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT):
        return (
            f"{placed.path}: the card is full; no part of this disc was left on it. Make room "
            "(--tidy removes what earlier sessions put there) and run again: complete images "
            "are kept"
        )
    if isinstance(cause, OSError) and cause.errno == errno.EFBIG:
        return (
            f"{placed.path}: the card's file system cannot hold a file of "
            f"{placed.disc.size:,} bytes"
        )
    return f"{error}. Check the card and run again: complete images are kept"
