"""A file read to its end, once: its digests, or what went wrong."""

from __future__ import annotations

import mmap
import os
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from io import FileIO
from pathlib import Path
from typing import Protocol

from mediashelf.errors import InputError
from mediashelf.integrity.fixity.digests import BLOCK_SIZE, Digester, Digests
from mediashelf.integrity.fixity.holes import AroundHoles, is_sparse
from mediashelf.integrity.fixity.medium import AroundErrors, is_refused
from mediashelf.integrity.fixity.values import Absence, Observed
from mediashelf.integrity.structure.damage import Span

_idle: list[memoryview] = []


class ReadableInto(Protocol):
    """A stream that fills a buffer, such as a file opened ``rb`` without buffering."""

    def readinto(self, buffer: memoryview, /) -> int | None: ...


def digest_stream(
    stream: ReadableInto,
    *,
    algorithms: Iterable[str] = ("xxh3_128",),
    block_size: int = BLOCK_SIZE,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Digests:
    """Read ``stream`` to its end once and return its digests.

    One buffer of 1 MiB is all the memory this takes, besides 8 bytes a block.
    ``on_bytes`` is called with the number of bytes just read. ``OSError`` from
    the stream propagates.
    """
    digester = Digester(algorithms, block_size=block_size)
    with _buffer() as buffer:
        while True:
            count = _fill(stream, buffer)
            if not count:
                return digester.finish()
            digester.update(buffer[:count])
            on_bytes(count)


@contextmanager
def _buffer() -> Iterator[memoryview]:
    """Give a buffer, and keep one: to get pages takes longer than to read a small file."""
    try:
        buffer = _idle.pop()
    except IndexError:
        # At the start of a page: some processors copy to other places at a fraction of the speed.
        buffer = memoryview(mmap.mmap(-1, BLOCK_SIZE))
    try:
        yield buffer
    finally:
        if not _idle:
            _idle.append(buffer)


def _fill(stream: ReadableInto, buffer: memoryview) -> int:
    """Fill the buffer as far as the stream allows: pipes and shares give short reads."""
    filled = 0
    while filled < len(buffer):
        count = stream.readinto(buffer[filled:])
        if not count:
            break
        filled += count
    return filled


def digest_file(
    path: Path,
    *,
    algorithms: Iterable[str] = ("xxh3_128",),
    block_size: int = BLOCK_SIZE,
    on_bytes: Callable[[int], None] = lambda count: None,
    past_cache: bool = False,
    unreadable: list[Span] | None = None,
    at_hand: bytes | None = None,
) -> Digests:
    """Read a regular file once, without changing it, and return its digests.

    With ``past_cache`` the system is asked first to forget what it keeps of the
    file in memory, so that the bytes come from the disk where it obeys (Linux,
    for data that is already written out). With ``unreadable`` the reading goes on past
    what the medium does not give: the places are put there, and zeros are counted in
    for them, so that no digest of the whole is right. ``at_hand`` are all bytes of a small file
    that was read just now: unless they are to come from the disk it is not read again. Raises
    :class:`InputError`, which says
    how far the reading came, for a file that is missing, is not a regular file, or
    cannot be read.
    """
    if at_hand and not past_cache:
        digester = Digester(algorithms, block_size=block_size)
        digester.update(at_hand)
        on_bytes(len(at_hand))
        return digester.finish()
    done = 0

    def count_up(count: int) -> None:
        nonlocal done
        done += count
        on_bytes(count)

    try:
        with _open_regular(path) as stream:
            if past_cache:
                _forget_cached(stream.fileno())
            source: ReadableInto = stream
            if unreadable is not None:
                source = AroundErrors(stream, unreadable)
            if is_sparse(stream.fileno()):
                source = AroundHoles(stream, source)
            return digest_stream(
                source, algorithms=algorithms, block_size=block_size, on_bytes=count_up
            )
    except OSError as error:
        place = f"cannot be read at or after byte {done:,}" if done else "cannot be read"
        raise InputError(f"{path}: {place}: {error.strerror or error}") from error


def _open_regular(path: Path) -> FileIO:
    # Without O_NONBLOCK, opening a FIFO would wait for a writer for ever.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    irregular = InputError(f"{path}: is not a regular file; only those can be read whole")
    try:
        descriptor = os.open(path, flags)
    except PermissionError:
        if path.is_dir():  # Windows does not open folders as files
            raise irregular from None
        raise
    if stat.S_ISREG(os.fstat(descriptor).st_mode):
        return FileIO(descriptor, "rb")
    os.close(descriptor)
    raise irregular


def _forget_cached(descriptor: int) -> None:
    if hasattr(os, "posix_fadvise"):
        with suppress(OSError):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)


def observe(
    path: Path,
    *,
    algorithms: Iterable[str] = (),
    past_cache: bool = False,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Observed:
    """Read a file to its end; what goes wrong is part of the answer, not raised."""
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return Observed(absence=Absence.MISSING)
    except OSError as error:
        return Observed(
            problem=f"{path}: cannot be opened: {error.strerror or error}",
            is_refused=is_refused(error),
        )
    wanted = tuple(algorithms) or ("xxh3_128",)
    try:
        digests = digest_file(path, algorithms=wanted, past_cache=past_cache, on_bytes=on_bytes)
    except InputError as error:
        return Observed(
            status.st_size,
            status.st_mtime_ns,
            problem=str(error),
            is_refused=is_refused(error),
            is_changing=has_changed(path, status),
        )
    return Observed(
        digests.size,
        status.st_mtime_ns,
        digests,
        is_changing=digests.size != status.st_size or has_changed(path, status),
    )


def has_changed(path: Path, before: os.stat_result) -> bool:
    """Tell whether size or date of a file are others than before; it must still be there.

    The inode does not count: some network and card file systems number files anew at any time.
    """
    try:
        after = path.stat()
    except OSError:
        return False
    return (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns)
