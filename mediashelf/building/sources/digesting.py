"""Digests of the bytes that pass by, computed on a second thread while others are read."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Protocol, Self

from mediashelf.building.tree import Content

_WAITING = 8  # pieces that may wait for the second thread: what bounds the memory


class StreamHasher(Protocol):
    """What :func:`new_hasher` gives."""

    def update(self, data: bytes | memoryview, /) -> None: ...

    def hexdigest(self) -> str: ...


def new_hasher() -> StreamHasher:
    """Return a SHA-256 hasher: the digest that is compared, shown, and put on the index page."""
    return hashlib.sha256(usedforsecurity=False)


def hash_bytes(data: bytes) -> str:
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
        self._hashers: list[tuple[Content, StreamHasher]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._pool.shutdown(cancel_futures=True)

    def passing(self, content: Content, pieces: Iterable[bytes]) -> Iterator[bytes]:
        """Yield ``pieces`` as they are; their digest is among the next :meth:`finished` ones."""
        hasher = new_hasher()
        self._hashers.append((content, hasher))
        for piece in pieces:
            self._waiting.append(self._pool.submit(hasher.update, piece))
            yield piece
            if len(self._waiting) > _WAITING:
                self._waiting.popleft().result()

    def whole(self, content: Content, data: bytes | memoryview) -> None:
        """Take the digest of a small content at once: sooner done than handed over."""
        hasher = new_hasher()
        hasher.update(data)
        self._hashers.append((content, hasher))

    def finished(self) -> Iterator[tuple[Content, str]]:
        """Wait for what is under way; yield the digests since the last call, in order."""
        while self._waiting:
            self._waiting.popleft().result()
        hashers, self._hashers = self._hashers, []
        for content, hasher in hashers:
            yield content, hasher.hexdigest()
