"""Digests: one pass over the bytes, however many algorithms, and one short digest per MiB.

Hexadecimal digests are lower case; those of the xxHash family are in the
canonical big-endian form (xxHash specification, "canonical representation"), as
``xxhsum`` prints them; ``crc32`` is CRC-32/ISO-HDLC in eight digits.

xxh3 answers "did this change since it was recorded"; a cryptographic digest is
for anything that is compared with somebody else's list.
"""

from __future__ import annotations

import mmap
import os
import stat
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from io import FileIO
from pathlib import Path
from typing import Protocol

import xxhash
from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.integrity.fixity.holes import AroundHoles, is_sparse
from mediashelf.integrity.fixity.medium import AroundErrors
from mediashelf.integrity.structure.damage import Span

BLOCK_SIZE = 1 << 20
"""Bytes that one block digest covers, and the size of the reading buffer."""

BLOCK_DIGEST_SIZE = 8
"""Bytes of one block digest: xxh3_64, big-endian."""


class Hasher(Protocol):
    """What every algorithm offers."""

    def update(self, data: memoryview, /) -> None: ...

    def hexdigest(self) -> str: ...


class ReadableInto(Protocol):
    """A stream that fills a buffer, such as a file opened ``rb`` without buffering."""

    def readinto(self, buffer: memoryview, /) -> int | None: ...


class _Crc32:
    def __init__(self) -> None:
        self._value = 0

    def update(self, data: memoryview, /) -> None:
        self._value = zlib.crc32(data, self._value)

    def hexdigest(self) -> str:
        return f"{self._value:08x}"


def _hashlib(name: str) -> Hasher:
    import hashlib  # seldom needed, and large

    # MD5 and SHA-1 are here to compare with published lists, not to secure anything;
    # without the flag a system in a restricted mode refuses them.
    return hashlib.new(name, usedforsecurity=False)


_FACTORIES: dict[str, Callable[[], Hasher]] = {
    "xxh3_128": xxhash.xxh3_128,
    "xxh3_64": xxhash.xxh3_64,
    "xxh64": xxhash.xxh64,
    "xxh32": xxhash.xxh32,
    "sha256": partial(_hashlib, "sha256"),
    "sha512": partial(_hashlib, "sha512"),
    "sha1": partial(_hashlib, "sha1"),
    "md5": partial(_hashlib, "md5"),
    "b2": partial(_hashlib, "blake2b"),  # BLAKE2b, 512 bits, as b2sum
    "crc32": _Crc32,
}

ALGORITHMS = tuple(_FACTORIES)
"""The names that ``algorithms`` takes; ``b2`` is BLAKE2b with 512 bits, as ``b2sum`` writes it."""


class Digests(Struct, frozen=True):
    """What one pass over the bytes found.

    ``size`` is the number of bytes read. ``whole`` maps algorithm to hexadecimal
    digest. ``blocks`` joins the 8-byte xxh3_64 of every ``block_size`` bytes
    (the last block may be shorter); it is empty when ``block_size`` is 0.
    """

    size: int
    whole: dict[str, str]
    blocks: bytes = b""
    block_size: int = BLOCK_SIZE


class Digester:
    """Takes bytes as they come and gives :class:`Digests`; for whoever copies and counts in one go.

    Raises ``ValueError`` for an unknown algorithm.
    """

    def __init__(
        self, algorithms: Iterable[str] = ("xxh3_128",), *, block_size: int = BLOCK_SIZE
    ) -> None:
        self._hashers = {name: _factory(name)() for name in algorithms}
        self._updates = [hasher.update for hasher in self._hashers.values()]
        self._block_size = block_size
        self._blocks = bytearray()
        self._open_block = xxhash.xxh3_64()
        self._open_size = 0
        self._size = 0

    def update(self, data: bytes | bytearray | memoryview) -> None:
        """Count ``data`` in; pieces may have any length, block boundaries are kept."""
        view = memoryview(data)
        for update in self._updates:
            update(view)
        self._size += len(view)
        if self._block_size:
            self._update_blocks(view)

    def _update_blocks(self, view: memoryview) -> None:
        start = 0
        while start < len(view):
            piece = view[start : start + self._block_size - self._open_size]
            start += len(piece)
            if len(piece) == self._block_size:  # a whole block at once: the usual case
                self._blocks += xxhash.xxh3_64_digest(piece)
                continue
            self._open_block.update(piece)
            self._open_size += len(piece)
            if self._open_size == self._block_size:
                self._close_block()

    def _close_block(self) -> None:
        self._blocks += self._open_block.digest()
        self._open_block = xxhash.xxh3_64()
        self._open_size = 0

    def finish(self) -> Digests:
        """Return the digests of everything counted in; call it once, at the end."""
        if self._open_size:
            self._close_block()
        whole = {name: hasher.hexdigest() for name, hasher in self._hashers.items()}
        return Digests(self._size, whole, bytes(self._blocks), self._block_size)


def _factory(name: str) -> Callable[[], Hasher]:
    try:
        return _FACTORIES[name]
    except KeyError:
        raise ValueError(f"unknown algorithm {name!r}; known: {', '.join(ALGORITHMS)}") from None


def block_digest(data: bytes | bytearray | memoryview) -> bytes:
    """Return what :attr:`Digests.blocks` holds for a block of these bytes."""
    return xxhash.xxh3_64_digest(data)


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


_idle: list[memoryview] = []


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
) -> Digests:
    """Read a regular file once, without changing it, and return its digests.

    With ``past_cache`` the system is asked first to forget what it keeps of the
    file in memory, so that the bytes come from the disk where it obeys (Linux,
    for data that is already written out). With ``unreadable`` the reading goes on past
    what the medium does not give: the places are put there, and zeros are counted in
    for them, so that no digest of the whole is right. Raises :class:`InputError`, which says
    how far the reading came, for a file that is missing, is not a regular file, or
    cannot be read.
    """
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


def differing_blocks(recorded: bytes, found: bytes) -> tuple[int, ...]:
    """Return the numbers of the blocks whose digests differ, counted from 0.

    Blocks that only one of the two has are counted as different.
    """
    step = BLOCK_DIGEST_SIZE
    longest = max(len(recorded), len(found))
    return tuple(
        start // step
        for start in range(0, longest, step)
        if recorded[start : start + step] != found[start : start + step]
    )
