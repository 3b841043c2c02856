"""The bytes of a file as a view, for whoever reads structures all over it."""

from __future__ import annotations

import errno
import os
import stat
import threading
from pathlib import Path

from mediashelf.errors import InputError

_NEAR = 64 << 10
"""Bytes that are read together: what describes a disc is in many small structures."""

_SMALL = 256 << 10
"""Bytes of a file that is read at once, as its structures are looked at from both ends."""


class FileView:
    """The bytes of an open file as a view; may be used from several threads.

    What follows a small piece is read with it, and kept for the next. Reading after
    :meth:`close` raises ``OSError``.
    """

    def __init__(self, descriptor: int, size: int) -> None:
        self._descriptor = descriptor
        self._size = size
        self._lock = threading.Lock()
        self._near: tuple[int, bytes] = (0, b"")  # where they begin, and the bytes
        self._is_small = size <= _SMALL

    @property
    def size(self) -> int:
        """The file's size in bytes when it was opened."""
        return self._size

    @property
    def whole(self) -> bytes | None:
        """The whole file where its bytes are at hand, as those of a small one are once it is read.

        These are the very bytes that were looked at.
        """
        near, data = self._near
        return data if not near and len(data) == self._size else None

    def close(self) -> None:
        """Close the file; its number may belong to another file from now on."""
        descriptor, self._descriptor = self._descriptor, -1
        self._near = (0, b"")
        if descriptor >= 0:
            os.close(descriptor)

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end of the file."""
        near, data = self._near
        start = offset - near
        if start >= 0 and size > 0 and start + size <= len(data):
            return data[start : start + size]
        if self._descriptor < 0:
            raise OSError(errno.EBADF, "the image was closed")
        if offset + size > self._size:
            size = self._size - offset
        if offset < 0 or size <= 0:
            return b""
        if size < _NEAR:
            data = self._read_near(offset)
            if len(data) >= size:
                return data[:size]
        return self._read_whole(offset, size)

    def _read_near(self, offset: int) -> bytes:
        """Read more than was asked for; nothing comes of it where some of that cannot be read."""
        start, size = (0, self._size) if self._is_small else (offset, _NEAR)
        try:
            data = self._read_once(start, min(size, self._size - start))
        except OSError:
            self._is_small = False
            return b""
        self._near = start, data
        return data[offset - start :]

    def _read_whole(self, offset: int, size: int) -> bytes:
        pieces = []
        while size > 0:
            piece = self._read_once(offset, size)
            if not piece:
                break  # the file shrank while it was read
            pieces.append(piece)
            offset, size = offset + len(piece), size - len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    if hasattr(os, "pread"):

        def _read_once(self, offset: int, size: int) -> bytes:
            return os.pread(self._descriptor, size, offset)

    else:  # Windows

        def _read_once(self, offset: int, size: int) -> bytes:
            with self._lock:
                os.lseek(self._descriptor, offset, os.SEEK_SET)
                return os.read(self._descriptor, size)


def open_view(path: Path) -> FileView:
    """Open a file for reading, whatever it holds; close the view when done with it.

    Raises :class:`InputError` when it is missing, a folder, not a regular file, or
    can't be opened.
    """
    # Without O_NONBLOCK opening a FIFO would wait for a writer.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        descriptor = os.open(path, flags)
        status = os.fstat(descriptor)
    except OSError as error:
        raise InputError(f"{path}: cannot be opened: {error.strerror or error}") from error
    view = FileView(descriptor, status.st_size)
    if not stat.S_ISREG(status.st_mode):
        view.close()
        kind = "a folder" if stat.S_ISDIR(status.st_mode) else "not a regular file"
        raise InputError(f"{path}: is {kind}; name an image file")
    return view
