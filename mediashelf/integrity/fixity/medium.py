"""Why the system does not give bytes, and reading on past what a failing disk or card does not."""

from __future__ import annotations

import errno
import os
from io import FileIO

from mediashelf.errors import InputError
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.structure.damage import Span

MOST_FAILED_READS = 4096
"""A failing disk may take seconds for each. After so many, what fails is passed over as a whole."""


def is_medium_error(error: BaseException | None) -> bool:
    """Tell whether the medium failed: the system's EIO, itself or as the cause of our error."""
    return _number(error) == errno.EIO


def is_refused(error: BaseException) -> bool:
    """Tell whether the right to read is missing: the system's EACCES or EPERM, or caused by it."""
    return _number(error) in (errno.EACCES, errno.EPERM)


def _number(error: BaseException | None) -> int | None:
    if isinstance(error, InputError):
        error = error.__cause__
    return error.errno if isinstance(error, OSError) else None


class AroundErrors:
    """A file as a stream to fill buffers from; what the medium does not give reads as zeros.

    The places go into ``unreadable``, in order, adjacent ones joined. Other errors
    than the medium's are raised.
    """

    def __init__(self, file: FileIO, unreadable: list[Span]) -> None:
        self._file, self._unreadable = file, unreadable
        self._size = os.fstat(file.fileno()).st_size
        self._failed = 0

    def readinto(self, buffer: memoryview, /) -> int | None:
        """Fill the buffer from where the last call ended; 0 at the end."""
        offset = self._file.tell()
        try:
            return self._file.readinto(buffer)
        except OSError as error:
            if not is_medium_error(error):
                raise
        wanted = min(len(buffer), self._size - offset)
        step = SECTOR_SIZE if self._failed < MOST_FAILED_READS else wanted
        for start in range(0, wanted, max(step, 1)):
            piece = buffer[start : min(start + step, wanted)]
            count = self._read_piece(offset + start, piece)
            if count < len(piece):  # the file became shorter
                return start + count
        self._file.seek(offset + wanted)
        return wanted

    def _read_piece(self, offset: int, piece: memoryview) -> int:
        try:
            self._file.seek(offset)
            return self._file.readinto(piece) or 0
        except OSError as error:
            if not is_medium_error(error):
                raise
        self._failed += 1
        piece[:] = bytes(len(piece))
        last = self._unreadable[-1] if self._unreadable else Span(0, 0)
        if last.length and sum(last) == offset:
            self._unreadable[-1] = Span(last.offset, last.length + len(piece))
        else:
            self._unreadable.append(Span(offset, len(piece)))
        return len(piece)
