"""Write a new file so that its bytes are on their way to the disk from the first ones on."""

from __future__ import annotations

import errno
import mmap
import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from itertools import cycle
from pathlib import Path
from typing import Self

from mediashelf.system import flush_descriptor

Written = bytes | memoryview

PIECE = 4 << 20
"""Bytes that the disk is given at once; whole pages, as O_DIRECT wants them."""


@contextmanager
def write_to_disk(path: Path) -> Iterator[Callable[[Written], None]]:
    """Make a file, or empty one, and give what takes its bytes from the start on.

    When the block ends well they are on the disk. On Linux they go past the system's memory
    (``O_DIRECT``, open(2)), which takes a fifth of the processor's time; where the file system
    does not offer that they are flushed on the way. What goes wrong, with earlier bytes too,
    is raised by what takes the bytes, or by the end of the block: ``OSError``.
    """
    descriptor = _open_direct(path)
    if descriptor is not None:
        try:
            with _PastMemory(descriptor) as writing:
                yield writing.write
            flush_descriptor(descriptor)
        finally:
            os.close(descriptor)
        return
    with path.open("wb", buffering=0) as file:
        with EarlyFlush(file.fileno()) as early:

            def take(data: Written) -> None:
                done = file.write(data)
                while done < len(data):  # as happens where the disk is full: the next one says so
                    done += file.write(data[done:])
                early.add(done)

            yield take
        flush_descriptor(file.fileno())


def _open_direct(path: Path) -> int | None:
    """Open a new file for writing past the system's memory, or return None where that cannot be."""
    if not (hasattr(os, "O_DIRECT") and hasattr(os, "pwrite")):
        return None
    try:
        return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_DIRECT, 0o666)
    except OSError as error:
        if error.errno == errno.EINVAL:
            return None
        raise


class _PastMemory:
    """Gathers pieces of whole pages; one is written by a thread while the next one is gathered."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._buffers = cycle([memoryview(mmap.mmap(-1, PIECE)) for _ in range(2)])
        self._buffer = next(self._buffers)
        self._filled = 0
        self._offset = 0  # of the buffer in the file
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="disk")
        self._running: Future[None] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *raised: object) -> None:
        self._pool.shutdown()  # the descriptor may be closed only after this
        if kind is None:
            self._wait()
            # The last piece need not have whole pages, so it is written as usual.
            _leave_direct(self._descriptor)
            _write_all(self._descriptor, self._buffer[: self._filled], self._offset)

    def write(self, data: Written) -> None:
        """Take bytes; they may change when this returns."""
        view, start = memoryview(data), 0
        while start < len(view):
            piece = view[start : start + PIECE - self._filled]
            self._buffer[self._filled : self._filled + len(piece)] = piece
            self._filled += len(piece)
            start += len(piece)
            if self._filled == PIECE:
                self._hand_over()

    def _hand_over(self) -> None:
        self._wait()  # so that the other buffer is free
        self._running = self._pool.submit(_write_all, self._descriptor, self._buffer, self._offset)
        self._offset += PIECE
        self._buffer, self._filled = next(self._buffers), 0

    def _wait(self) -> None:
        if self._running is not None:
            self._running.result()


def _write_all(descriptor: int, data: memoryview, offset: int) -> None:
    done = 0
    while done < len(data):  # less is written where the disk is full: the next one says so
        try:
            done += os.pwrite(descriptor, data[done:], offset + done)
        except OSError as error:
            # Some file systems say only now that they do not offer it, or want larger pages.
            if error.errno != errno.EINVAL or not _leave_direct(descriptor):
                raise


def _leave_direct(descriptor: int) -> bool:
    """Have a file written as usual from now on; return whether it was not."""
    import fcntl  # not there on Windows

    flags = fcntl.fcntl(descriptor, fcntl.F_GETFL)
    fcntl.fcntl(descriptor, fcntl.F_SETFL, flags & ~os.O_DIRECT)
    return bool(flags & os.O_DIRECT)


class EarlyFlush:
    """Flushes every so many bytes by a thread of its own; use it in a ``with`` block.

    A disk or card that is slower than the source then writes from the first bytes on, and not
    only when the last ones are there. A flush at the end is needed all the same. What goes wrong is
    raised by the next :meth:`add` or by the end of the block: the system tells of it once.
    """

    def __init__(self, descriptor: int, *, step: int = 32 << 20) -> None:
        self._descriptor, self._step = descriptor, step
        self._written = 0
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="flush")
        self._running: Future[None] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *raised: object) -> None:
        self._pool.shutdown()  # the descriptor may be closed only after this
        if self._running is not None and kind is None:
            self._running.result()

    def add(self, count: int) -> None:
        """Count bytes that the system was given."""
        self._written += count
        if self._written < self._step or (self._running and not self._running.done()):
            return
        if self._running is not None:
            self._running.result()
        self._written = 0
        self._running = self._pool.submit(os.fsync, self._descriptor)
