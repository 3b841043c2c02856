"""Have a growing file written out while its writer goes on."""

from __future__ import annotations

import os
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Self


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
