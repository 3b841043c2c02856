"""Counting bytes into digests by a thread of its own, while the caller reads or writes on."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from typing import Self

from mediashelf.integrity.fixity.digests import Digester, Digests

Piece = bytes | memoryview


class OverlappedDigester:
    """Takes bytes like a :class:`Digester`; use it in a ``with`` block.

    One piece is counted while the next one is on its way: when :meth:`update` returns,
    all pieces but the last are done with, so that two buffers can take turns.
    """

    def __init__(self, digester: Digester) -> None:
        self._digester = digester
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="digests")
        self._last: Future[None] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self._pool.shutdown()  # a buffer may be closed only after this

    def update(self, data: Piece) -> None:
        """Have ``data`` counted in; it must stay as it is until the next call has returned."""
        self._wait()
        self._last = self._pool.submit(self._digester.update, data)

    def finish(self) -> Digests:
        """Return the digests of everything; call it once, at the end."""
        self._wait()
        return self._digester.finish()

    def _wait(self) -> None:
        if self._last is not None:
            self._last.result()
            self._last = None
