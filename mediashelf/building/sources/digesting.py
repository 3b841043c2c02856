"""Digests of the bytes that pass by, computed on a second thread while others are read."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import NamedTuple, Protocol, Self

import xxhash

_BATCH = 1 << 20  # bytes that are handed over together: doing so for each file costs more
_WAITING = 4  # batches that may wait for the second thread: what bounds the memory


Piece = bytes | memoryview


class StreamHasher(Protocol):
    """What :func:`new_hasher` gives."""

    def update(self, data: Piece, /) -> None: ...

    def digest(self) -> bytes: ...


def new_hasher() -> StreamHasher:
    """Return a SHA-256 hasher: the digest of a source, shown and put on the index page."""
    return hashlib.sha256(usedforsecurity=False)


QUICK_SIZE = 16
"""Bytes of the digest by which a disc is read back."""


def quick_place(number: int) -> slice:
    """Return where the digest of this number is among those that are kept one after the other."""
    return slice(QUICK_SIZE * number, QUICK_SIZE * (number + 1))


class ContentDigests(NamedTuple):
    """SHA-256, empty where it was not asked for, and XXH3 of 128 bits.

    The second tells in a fraction of the time whether the disc gives back what was written.
    """

    sha256: bytes
    quick: bytes


def hash_bytes(data: Piece) -> bytes:
    """Return SHA-256 of bytes in memory."""
    return hashlib.sha256(data, usedforsecurity=False).digest()


def hash_quickly(data: Piece) -> bytes:
    """Return the digest that tells whether the disc gives bytes back."""
    return xxhash.xxh3_128_digest(data)


class _Hasher:
    def __init__(self, is_quick: bool) -> None:
        self._sha256 = None if is_quick else new_hasher()
        self._quick = xxhash.xxh3_128()

    def update(self, data: Piece) -> None:
        if self._sha256 is not None:
            self._sha256.update(data)
        self._quick.update(data)

    def digests(self) -> ContentDigests:
        sha256 = b"" if self._sha256 is None else self._sha256.digest()
        return ContentDigests(sha256, self._quick.digest())


class PassingDigests:
    """Digests contents while their bytes go somewhere else; with ``is_quick`` not by SHA-256.

    The hash functions let other threads run, so hashing costs no time where
    reading and writing take longer. Use as a context manager.
    """

    def __init__(self, *, is_quick: bool = False) -> None:
        self._is_quick = is_quick
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="digests")
        self._waiting: deque[Future[None]] = deque()
        self._hashers: list[tuple[int, _Hasher]] = []
        self._batch: list[tuple[_Hasher, Piece]] = []
        self._batch_size = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    def passing(self, number: int, pieces: Iterable[Piece]) -> Iterator[Piece]:
        """Yield ``pieces`` as they are; their digest is among the next :meth:`finished` ones.

        ``number`` tells it from the others there.
        """
        hasher = _Hasher(self._is_quick)
        self._hashers.append((number, hasher))
        for piece in pieces:
            self._batch.append((hasher, piece))
            self._batch_size += len(piece)
            if self._batch_size >= _BATCH:
                self._hand_over()
            yield piece

    def _hand_over(self) -> None:
        self._waiting.append(self._pool.submit(_hash_all, self._batch))
        self._batch, self._batch_size = [], 0
        if len(self._waiting) > _WAITING:
            self._waiting.popleft().result()

    def finished(self) -> Iterator[tuple[int, ContentDigests]]:
        """Wait for what is under way; yield the digests since the last call, in order."""
        self._hand_over()
        while self._waiting:
            self._waiting.popleft().result()
        hashers, self._hashers = self._hashers, []
        for number, hasher in hashers:
            yield number, hasher.digests()


def _hash_all(batch: Iterable[tuple[_Hasher, Piece]]) -> None:
    for hasher, piece in batch:
        hasher.update(piece)
