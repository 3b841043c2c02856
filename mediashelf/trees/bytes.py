"""The bytes that trees are read from: a file that must not change, a part of it, or a spool."""

from __future__ import annotations

import errno
import os
import weakref
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from mediashelf.errors import InputError
from mediashelf.file_view import FileView, open_view
from mediashelf.formats.fields import View

MOST_IN_MEMORY = 16 << 20
"""Bytes of a spool that are kept in memory; more go to an unnamed file in the system's folder
for temporary files."""


class StampedFile:
    """A file on the host as a view, which stays the same file as when it was opened first.

    :meth:`rest` gives its descriptor back until the next :meth:`read`; after
    :meth:`close` reading raises ``OSError``.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._view: FileView | None = open_view(path)
        self._is_closed = False
        self.size = self._view.size
        try:
            self.modified_ns = os.stat(path).st_mtime_ns  # noqa: PTH116
        except OSError as error:
            self.close()
            raise _unreadable(path, error) from error

    def rest(self) -> None:
        """Close the file until it is read again."""
        if self._view is not None:
            self._view.close()
            self._view = None

    def close(self) -> None:
        """Close the file for good."""
        self.rest()
        self._is_closed = True

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end.

        Raises :class:`InputError` when it has to be opened again and is not the same.
        """
        if self._is_closed:
            raise OSError(errno.EBADF, "the file was closed")
        if self._view is None:
            view = open_view(self.path)
            try:
                self.refuse_changed("changed since it was listed")
            except BaseException:
                view.close()
                raise
            self._view = view
        return self._view.read(offset, size)

    @contextmanager
    def opened(self) -> Iterator[BinaryIO]:
        """Give the file, at its start, to another process; raises like :meth:`read`."""
        self.refuse_changed("changed since it was listed")
        try:
            with self.path.open("rb", buffering=0) as file:
                yield file
        except OSError as error:
            raise _unreadable(self.path, error) from error

    def refuse_changed(self, fact: str = "changed while it was read") -> None:
        """Raise :class:`InputError` unless size and date are as they were when it was opened."""
        try:
            now = os.stat(self.path)  # noqa: PTH116
        except FileNotFoundError as error:
            raise InputError(f"{self.path}: vanished; try again") from error
        except OSError as error:
            raise _unreadable(self.path, error) from error
        if now.st_size != self.size:
            raise InputError(
                f"{self.path}: {fact}: it has {now.st_size:,} bytes, expected {self.size:,}; "
                "try again"
            )
        if now.st_mtime_ns != self.modified_ns:
            raise InputError(f"{self.path}: {fact}: its modification time changed; try again")


class PartView:
    """A run of bytes of another view."""

    def __init__(self, view: View, start: int, size: int) -> None:
        self._view, self._start = view, start
        self.size = max(0, min(size, view.size - start))

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        size = min(size, self.size - offset)
        return self._view.read(self._start + offset, size) if offset >= 0 and size > 0 else b""


class Start:
    """The first bytes of a longer file as a view that knows the file's size."""

    def __init__(self, data: bytes, size: int) -> None:
        self._data = data
        self.size = size

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        return self._data[offset : offset + size]


class Spool:
    """Expanded bytes as a view; they are gone when this is closed or no longer used."""

    def __init__(self) -> None:
        self.size = 0
        self._memory = bytearray()
        self._file: BinaryIO | None = None

    def append(self, piece: bytes) -> None:
        """Put bytes at the end. Raises :class:`InputError` when there is no room for them."""
        try:
            if self.size + len(piece) > MOST_IN_MEMORY:
                self._to_file()
            if self._file is None:
                self._memory += piece
            else:
                self._file.seek(0, os.SEEK_END)
                self._file.write(piece)
        except OSError as error:
            raise _no_room(error) from error
        self.size += len(piece)

    def _to_file(self) -> BinaryIO:
        if self._file is None:
            import tempfile  # seldom needed

            file = tempfile.TemporaryFile()  # noqa: SIM115
            weakref.finalize(self, file.close)
            file.write(self._memory)
            self._memory = bytearray()
            self._file = file
        assert self._file is not None
        return self._file

    @contextmanager
    def opened(self) -> Iterator[BinaryIO]:
        """Give the bytes as a file, at its start, to another process."""
        try:
            file = self._to_file()
            file.flush()
            file.seek(0)
        except OSError as error:
            raise _no_room(error) from error
        yield file

    def extend(self, pieces: Iterable[bytes]) -> Spool:
        """Put all pieces at the end, and return this."""
        for piece in pieces:
            self.append(piece)
        return self

    def copy(self, view: View) -> Spool:
        """Put all bytes of a view at the end, and return this."""
        return self.extend(view.read(at, 1 << 20) for at in range(0, view.size, 1 << 20))

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        size = min(size, self.size - offset)
        if offset < 0 or size <= 0:
            return b""
        if self._file is None:
            return bytes(self._memory[offset : offset + size])
        self._file.seek(offset)
        return self._file.read(size)

    def close(self) -> None:
        """Forget the bytes."""
        self.size, self._memory = 0, bytearray()
        if self._file is not None:
            self._file.close()
            self._file = None


class LateSpool:
    """A member of a tree as a view: its start is at hand, the rest is expanded when asked for."""

    def __init__(self, start: bytes, size: int, expand: Callable[[], Iterable[bytes]]) -> None:
        self._start = start
        self._expand = expand
        self._spool: Spool | None = None
        self.size = size

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        end = min(offset + size, self.size)
        if 0 <= offset <= end <= len(self._start):
            return self._start[offset:end]
        if self._spool is None:
            self._spool = Spool().extend(self._expand())
        return self._spool.read(offset, size)

    def close(self) -> None:
        """Forget the bytes."""
        if self._spool is not None:
            self._spool.close()
            self._spool = None


def _no_room(error: OSError) -> InputError:
    import tempfile

    return InputError(
        f"{tempfile.gettempdir()}: no room to expand an archive: "
        f"{error.strerror or error}; set TMPDIR to a folder on a larger disk"
    )


def _unreadable(path: Path, error: OSError) -> InputError:
    return InputError(f"{path}: cannot be read: {error.strerror or error}")
