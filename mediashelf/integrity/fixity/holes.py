"""Holes of sparse files: what was never written reads as zeros, and need not be read.

The system tells where data and holes begin (lseek with SEEK_DATA and SEEK_HOLE; Linux man
page lseek(2)). Where it does not, all is read, and the bytes are the same.
"""

from __future__ import annotations

import errno
import os
from io import FileIO
from typing import Protocol

_ZEROS = bytes(1 << 20)
_BLOCK = 512  # bytes that st_blocks counts in, whatever the file system's own are


class _Source(Protocol):
    def readinto(self, buffer: memoryview, /) -> int | None: ...


def is_sparse(descriptor: int) -> bool:
    """Tell whether a file takes less room than it has bytes, so that it may have holes."""
    status = os.fstat(descriptor)
    blocks = getattr(status, "st_blocks", None)
    return hasattr(os, "SEEK_DATA") and blocks is not None and blocks * _BLOCK < status.st_size


class AroundHoles:
    """A file as a stream to fill buffers from; data comes from ``source``, which reads the file."""

    def __init__(self, file: FileIO, source: _Source) -> None:
        self._file, self._source = file, source
        self._size = os.fstat(file.fileno()).st_size
        self._data_end = 0  # data reaches from where we are to there

    def readinto(self, buffer: memoryview, /) -> int | None:
        """Fill the buffer from where the last call ended, up to the next border; 0 at the end."""
        offset = self._file.tell()
        if offset < self._data_end or offset >= self._size:
            return self._read(buffer, offset)
        start = self._border(offset, os.SEEK_DATA)
        if start > offset:
            count = min(len(buffer), start - offset, len(_ZEROS))
            buffer[:count] = _ZEROS[:count]
            self._file.seek(offset + count)
            return count
        self._data_end = self._border(offset, os.SEEK_HOLE)
        return self._read(buffer, offset)

    def _read(self, buffer: memoryview, offset: int) -> int | None:
        left = self._data_end - offset
        return self._source.readinto(buffer[:left] if 0 < left < len(buffer) else buffer)

    def _border(self, offset: int, whence: int) -> int:
        """Return where data, or a hole, is next; the place in the file stays."""
        try:
            found = os.lseek(self._file.fileno(), offset, whence)
        except OSError as error:
            # No more data; or a file system that cannot tell, which is then read to its end.
            is_hole = error.errno == errno.ENXIO and whence == os.SEEK_DATA
            found = self._size if is_hole or whence == os.SEEK_HOLE else offset
        self._file.seek(offset)
        return found
