"""One run at a time on a card, and always on the same one."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mediashelf.errors import (
    BuildError,
    InputError,
    MediashelfError,
    OutputError,
    StagingError,
)
from mediashelf.sessions.card_space import fat_check
from mediashelf.sessions.mounts import device_of
from mediashelf.system import hold_in_windows


class HeldCard:
    """A card's folder as it was when the run began; ``is_locked`` says if no other run can.

    ``is_changed`` is set by whoever gives something its name there, or removes what had one.

    Work is done in ``folder``. On Linux that is the open folder itself (proc(5)):
    a card that is pulled leaves the folder on which it was mounted, which is on the
    system's own disk, and nothing of ours may go there. Elsewhere it is the same as
    ``card``.
    """

    def __init__(self, card: Path, descriptor: int, is_locked: bool) -> None:
        self.card = card
        self.is_locked = is_locked
        self.is_changed = False
        opened = Path(f"/proc/self/fd/{descriptor}")
        self.folder = opened if opened.is_dir() else card
        self._identity = _identity(card)

    def refuse_other(self) -> None:
        """Raise :class:`StagingError` when another folder is in the place of the card's."""
        if _identity(self.card) != self._identity:
            raise StagingError(
                f"{self.card}: the card was taken out, and another folder is in its place; put it "
                "back and run again: complete images are kept"
            )

    @contextmanager
    def errors(self) -> Iterator[None]:
        """Turn what the system says of a card that was pulled or fails into a StagingError.

        Messages name the card by the path that the person gave.
        """
        try:
            yield
        except (OSError, MediashelfError) as error:
            if _became_read_only(error):
                raise StagingError(
                    f"{self.card}: became read-only during the run, as Linux does with a "
                    f"FAT card that it finds damaged; {fat_check(device_of(self.folder))}, and run "
                    "again: complete images are kept"
                ) from error
            shown = self._as_shown(error)
            if shown is None:
                raise
            raise shown from error

    def _as_shown(self, error: OSError | MediashelfError) -> MediashelfError | None:
        """Return the error in words about the card, None where it needs no others."""
        if isinstance(error, OSError):
            place = os.fsdecode(error.filename) if error.filename else str(self.card)
            return StagingError(
                f"{self._shown(place)}: {error.strerror or error}. Check the card and run again: "
                "complete images are kept"
            )
        text = self._shown(str(error))
        is_plain = type(error) in (StagingError, BuildError, OutputError, InputError)
        return type(error)(text) if is_plain and text != str(error) else None

    def _shown(self, text: str) -> str:
        return text.replace(str(self.folder), str(self.card))


@contextmanager
def hold_card(card: Path) -> Iterator[HeldCard]:
    """Hold the card for this run, locked where the system can do that.

    The lock is on the folder itself (flock(2)), and in Windows a name that goes with
    the run, so that no lock file stays, whatever ends it. Raises :class:`StagingError`
    when another run holds it.
    """
    busy = StagingError(f"{card}: another run is preparing this card; wait until it ends")
    if sys.platform == "win32":  # a folder cannot be opened there
        with hold_in_windows(os.path.realpath(card)) as is_ours:
            if not is_ours:
                raise busy
            yield HeldCard(card, -1, True)
        return
    import fcntl

    try:
        descriptor = os.open(card, os.O_RDONLY)
    except OSError as error:
        raise StagingError(f"{card}: cannot be opened: {error.strerror or error}") from error
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            is_locked = True
        except OSError as error:
            if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                raise busy from error
            is_locked = False  # some network shares have no locks
        # While the folder is open, a file system that numbers files anew keeps its number.
        yield HeldCard(card, descriptor, is_locked)
    finally:
        os.close(descriptor)


def _became_read_only(error: BaseException | None) -> bool:
    while error is not None:
        if isinstance(error, OSError) and error.errno == errno.EROFS:
            return True
        error = error.__cause__
    return False


def _identity(card: Path) -> tuple[int, int]:
    try:
        status = card.stat()
    except OSError as error:
        raise StagingError(
            f"{card}: {error.strerror or error}. Check the card and run again: what is whole is "
            "kept"
        ) from error
    return status.st_dev, status.st_ino
