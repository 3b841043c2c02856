"""Reading the sources of a disc: counted, digested, and compared with what was planned."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, contextmanager
from io import FileIO

from mediashelf.building.sources.digesting import new_hasher
from mediashelf.building.sources.member_reading import iter_member, refuse_changed_file
from mediashelf.building.tree import Content
from mediashelf.errors import BuildError
from mediashelf.trees.tree import CHUNK

HEAD = 4096
"""Bytes that tell most different files of one size apart."""

SMALL = 32 << 10
"""Bytes of a source that are read, hashed and written in one piece."""

OPEN_FLAGS = (
    os.O_RDONLY
    # What became a FIFO or a link since it was planned must neither stop us nor
    # lead us elsewhere.
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)
"""How every source is opened."""


def iter_source(content: Content) -> Generator[bytes, None, None]:
    """Yield exactly the planned bytes of a source; all pieces but the last are :data:`CHUNK`.

    Raises :class:`BuildError` when the source is gone, cannot be read, or is not,
    or does not remain, of the size and time that it was planned with; and when a
    member of an archive is not what the archive says.
    """
    if content.data:
        yield from (content.data[at : at + CHUNK] for at in range(0, content.size, CHUNK))
        return
    if content.member is not None:
        yield from iter_member(content)
        return
    with _opened(content) as stream:
        yield from _iter_file(stream, content)
        # By name, so that a source that is gone meanwhile is noticed as well.
        now = os.stat(content.path, follow_symlinks=False)  # noqa: PTH116
        _refuse_other_stamp(now, content, "changed while it was read")


def is_small_file(content: Content) -> bool:
    """Tell whether a source is for :func:`read_small_file`."""
    return content.size <= SMALL and content.member is None and not content.data


def read_small_file(content: Content) -> bytes:
    """Return all bytes of a source like :func:`iter_source`, with no detours for large ones."""
    data = _read_start_of_file(content, content.size + 1)
    if len(data) != content.size:
        _refuse_other_length(content, len(data))
    try:
        now = os.stat(content.path, follow_symlinks=False)  # noqa: PTH116
    except OSError as error:
        raise _unreadable(content, error) from error
    if not _is_as_planned(now, content):
        _refuse_other_stamp(now, content, "changed while it was read")
    return data


def _read_start_of_file(content: Content, size: int) -> bytes:
    """Return the first ``size`` bytes, fewer only at the end: shares give short reads.

    Where all that was planned has come, no more is asked for: size and date tell of what grew.
    """
    planned = content.size
    enough = size if size < planned else planned
    size = size if size <= planned else planned + 1  # what is asked for takes memory
    try:
        descriptor = os.open(content.path, OPEN_FLAGS)
        try:
            now = os.fstat(descriptor)
            if not _is_as_planned(now, content):
                _refuse_other_stamp(now, content, "changed since the disc was planned")
            data = os.read(descriptor, size)
            while len(data) < enough and (piece := os.read(descriptor, size - len(data))):
                data += piece
        finally:
            os.close(descriptor)
    except OSError as error:
        raise _unreadable(content, error) from error
    return data


def _iter_file(stream: FileIO, content: Content) -> Iterator[bytes]:
    left = content.size
    while left:
        piece = read_fully(stream, min(left, CHUNK))
        left -= len(piece)
        if left and len(piece) < CHUNK:
            _refuse_other_length(content, content.size - left)
        yield piece
    _refuse_other_length(content, content.size + len(stream.read(1) or b""))


def read_fully(stream: FileIO, size: int) -> bytes:
    """Return ``size`` bytes, fewer only at the end: shares and pipes give short reads."""
    piece = stream.read(size) or b""
    while piece and len(piece) < size:
        more = stream.read(size - len(piece))
        if not more:
            break
        piece += more
    return piece


def _refuse_other_length(content: Content, length: int) -> None:
    """Raise :class:`BuildError` unless ``length`` bytes are what was planned."""
    if length < content.size:
        raise BuildError(
            f"{content.path}: shrank while it was read: it ends at byte {length:,}, "
            f"expected {content.size:,}; build again"
        )
    if length > content.size:
        raise BuildError(
            f"{content.path}: grew while it was read: expected its end at byte "
            f"{content.size:,}; build again"
        )


def digest_source(
    content: Content, *, on_bytes: Callable[[int], None] = lambda count: None
) -> bytes:
    """Return a source's SHA-256, which the content then keeps; raises like :func:`iter_source`."""
    if not content.digest:
        hasher = new_hasher()
        for piece in iter_source(content):
            hasher.update(piece)
            on_bytes(len(piece))
        content.digest = hasher.digest()
    return content.digest


def read_head(content: Content) -> bytes:
    """Return the first :data:`HEAD` bytes of a source; raises like :func:`iter_source`."""
    return read_start(content, HEAD)


def read_start(content: Content, limit: int) -> bytes:
    """Return the first ``limit`` bytes of a source; raises like :func:`iter_source`.

    Changes of the source beyond them may go unnoticed.
    """
    if content.member is None:
        return _read_start_of_file(content, limit)
    start = bytearray()
    with closing(iter_source(content)) as pieces:
        for piece in pieces:
            start += piece
            if len(start) >= limit:
                break
    return bytes(start[:limit])


def refuse_changed(content: Content) -> None:
    """Make sure that a source still has its planned size and time; raises otherwise.

    A member of an archive that is said to be empty is read: it must be.
    """
    if content.member is not None:
        if not content.size:
            for _ in iter_source(content):
                pass
        else:
            refuse_changed_file(content.member)
        return
    with _opened(content):
        pass


@contextmanager
def _opened(content: Content) -> Iterator[FileIO]:
    try:
        with FileIO(os.open(content.path, OPEN_FLAGS), "rb") as stream:
            now = os.fstat(stream.fileno())
            _refuse_other_stamp(now, content, "changed since the disc was planned")
            yield stream
    except OSError as error:
        raise _unreadable(content, error) from error


def _unreadable(content: Content, error: OSError) -> BuildError:
    if isinstance(error, FileNotFoundError):
        return BuildError(f"{content.path}: vanished; build again")
    return BuildError(f"{content.path}: cannot be read: {error.strerror or error}")


def _is_as_planned(now: os.stat_result, content: Content) -> bool:
    """Tell of a whole file whether it has its planned size and time, in few steps."""
    return (
        now.st_mtime_ns == content.modified_ns
        and now.st_size == content.size
        and stat.S_ISREG(now.st_mode)
    )


def _refuse_other_stamp(now: os.stat_result, content: Content, fact: str) -> None:
    if not stat.S_ISREG(now.st_mode):
        raise BuildError(f"{content.path}: {fact}: it is not a regular file any more")
    if now.st_size != content.file_size:
        raise BuildError(
            f"{content.path}: {fact}: it has {now.st_size:,} bytes, "
            f"expected {content.file_size:,}; build again"
        )
    if now.st_mtime_ns != content.modified_ns:
        raise BuildError(f"{content.path}: {fact}: its modification time changed; build again")
