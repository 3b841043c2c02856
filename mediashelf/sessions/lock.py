"""One run at a time on a card."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mediashelf.errors import StagingError


@contextmanager
def card_lock(card: Path) -> Iterator[bool]:
    """Hold the card for this run; give False where the system cannot lock it.

    The lock is on the folder itself (flock(2)), so that it leaves nothing
    behind, whatever ends the run. Raises :class:`StagingError` when another run
    holds it.
    """
    if sys.platform == "win32":  # a folder cannot be opened there
        yield False
        return
    import fcntl

    try:
        descriptor = os.open(card, os.O_RDONLY)
    except OSError as error:
        raise StagingError(f"{card}: cannot be opened: {error.strerror or error}") from error
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            is_held = True
        except OSError as error:
            if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
                raise StagingError(
                    f"{card}: another run is preparing this card; wait until it ends"
                ) from error
            is_held = False  # some network shares have no locks
        yield is_held
    finally:
        os.close(descriptor)
