"""Digests of the bytes that pass by, computed on a second thread while others are read."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Protocol, Self

from mediashelf.building.tree import Content

_BATCH = 1 << 20  # bytes that are handed over together: doing so for each file costs more
_WAITING = 4  # batches that may wait for the second thread: what bounds the memory


Piece = bytes | memoryview


class StreamHasher(Protocol):
    """What :func:`new_hasher` gives."""

    def update(self, data: Piece, /) -> None: ...

    def hexdigest(self) -> str: ...


def new_hasher() -> StreamHasher:
    """Return a SHA-256 hasher: the digest that is compared, shown, and put on the index page."""
    return hashlib.sha256(usedforsecurity=False)


def hash_bytes(data: Piece) -> str:
    """Return the digest of bytes in memory."""
    hasher = new_hasher()
    hasher.update(data)
    return hasher.hexdigest()


class PassingDigests:
    """Digests contents while their bytes go somewhere else.

    The hash function lets other threads run, so hashing costs no time where
    reading and writing take longer. Use as a context manager.
    """

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="digests")
        self._waiting: deque[Future[None]] = deque()
        # Of small contents only the digests: a hasher takes ten times their memory.
        self._digests: list[tuple[Content, StreamHasher | str]] = []
        self._batch: list[tuple[StreamHasher, Piece]] = []
        self._batch_size = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._pool.shutdown(cancel_futures=True)

    def passing(self, content: Content, pieces: Iterable[Piece]) -> Iterator[Piece]:
        """Yield ``pieces`` as they are; their digest is among the next :meth:`finished` ones."""
        hasher = new_hasher()
        self._digests.append((content, hasher))
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

    def whole(self, content: Content, data: Piece) -> None:
        """Take the digest of a small content at once: sooner done than handed over."""
        self._digests.append((content, hash_bytes(data)))

    def finished(self) -> Iterator[tuple[Content, str]]:
        """Wait for what is under way; yield the digests since the last call, in order."""
        self._hand_over()
        while self._waiting:
            self._waiting.popleft().result()
        digests, self._digests = self._digests, []
        for content, digest in digests:
            yield content, digest if isinstance(digest, str) else digest.hexdigest()


def _hash_all(batch: Iterable[tuple[StreamHasher, Piece]]) -> None:
    for hasher, piece in batch:
        hasher.update(piece)
