"""Copy or convert images to the card; on a fast one the next while the last is read back."""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Self

from msgspec import Struct

from mediashelf.disk_writer import write_to_disk
from mediashelf.errors import InputError, MediashelfError, StagingError
from mediashelf.files import partial_path
from mediashelf.integrity.fixity.digests import Digester, Digests
from mediashelf.integrity.fixity.overlapping import Piece
from mediashelf.sessions.card_space import SPARE_SIZE, read_card
from mediashelf.sessions.cards.placed import PlacedDisc
from mediashelf.sessions.discs.served_bytes import ServedBytes, read_served, read_stamp

OnBytes = Callable[[int], None]

QUICK = "xxh3_128"
"""Tells whether the card gives back what it was given. SHA-256 is taken of what it gives back."""

NO_ROOM = (errno.ENOSPC, errno.EDQUOT)

FAST = 200 << 20
"""Bytes a second that no card takes, but a disk. On a card two things at once only disturb each
other; on a disk SHA-256 of what was read back takes longer than the reading."""


class _Stopped(Exception):
    """Ends the copying of an image that nobody waits for."""


class _Ahead(Struct):
    """What was begun of a disc before its turn; ``counted`` are the bytes read of its source."""

    placed: PlacedDisc
    temporary: Path
    counted: int = 0
    copied: Future[Digests] | None = None


class ImageCopier:
    """Puts images on the card, as :func:`copy_image` does; use it in a ``with`` block."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="copy")
        self._is_fast = False
        self._is_stopped = threading.Event()
        self._ahead: _Ahead | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self._is_stopped.set()
        self._pool.shutdown()
        self._drop()

    def copy(
        self, placed: PlacedDisc, image: ServedBytes, temporary: Path, on_bytes: OnBytes
    ) -> Digests:
        """Return the digests of what is at ``temporary`` then, which may have been copied before.

        Raises as :func:`copy_image`, and ``OSError`` for the card, also where that happened
        before the turn of this disc; only for want of room it is copied again.
        """
        ahead, digests = self._ahead, None
        if ahead is not None and ahead.placed is placed and ahead.copied is not None:
            try:
                copied = ahead.copied.result()
            except OSError as error:
                if error.errno not in NO_ROOM:
                    raise
            else:
                with suppress(FileNotFoundError):  # somebody removed it
                    ahead.temporary.replace(temporary)
                    digests = copied
                    on_bytes(ahead.counted)
        self._drop()
        return digests or self._timed(placed, image, temporary, on_bytes)

    def begin(self, placed: PlacedDisc) -> None:
        """Copy the image of a disc whose turn comes next, where the card is fast enough for that.

        Only after the one before is all on the card, and where room is left for what else is
        written for that one.
        """
        image = placed.image
        if image is None or placed.on_card is not None or not self._is_fast:
            return
        with suppress(MediashelfError, OSError):
            if read_card(self._folder).free >= placed.disc.size + 2 * SPARE_SIZE:
                self._begin(placed, image)

    def _begin(self, placed: PlacedDisc, image: ServedBytes) -> None:
        self._drop()
        temporary = partial_path(self._folder / placed.path)
        ahead = self._ahead = _Ahead(placed, temporary)

        def count(read: int) -> None:
            if self._is_stopped.is_set():
                raise _Stopped
            ahead.counted += read

        ahead.copied = self._pool.submit(self._timed, placed, image, temporary, count)

    def _timed(
        self, placed: PlacedDisc, image: ServedBytes, temporary: Path, on_bytes: OnBytes
    ) -> Digests:
        start = time.monotonic()
        digests = copy_image(placed, image, temporary, on_bytes=on_bytes)
        self._is_fast = digests.size > FAST * (time.monotonic() - start)
        return digests

    def _drop(self) -> None:
        """Wait for what was begun, and remove what is still there of it."""
        ahead, self._ahead = self._ahead, None
        if ahead is not None and ahead.copied is not None:
            ahead.copied.exception()
            with suppress(OSError):
                ahead.temporary.unlink(missing_ok=True)


def copy_image(
    placed: PlacedDisc, image: ServedBytes, temporary: Path, *, on_bytes: OnBytes
) -> Digests:
    """Copy or convert, and digest what is written, before it is written; it is flushed then.

    Errors of the source (:class:`StagingError`) are told apart from those of the card
    (``OSError``), because what to do next is different.
    """
    digester = Digester((QUICK,), block_size=0)
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
        and (expected is None or expected.xxh3_128 == written.whole[QUICK])
    )
    if not is_same:
        raise changed_source(placed, image, written.size)
    return written


def changed_source(placed: PlacedDisc, image: ServedBytes, size: int) -> StagingError:
    """Return the error of an image of which ``size`` other bytes came than were checked."""
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
