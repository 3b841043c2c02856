"""Digests of the first large files, begun while the rest of the program is being loaded.

Light to load. The thread that reads is Python's, but most of the time in the system's own
code, so that both go on at once.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple, Self

from mediashelf.integrity.fixity.digests import Digests
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.integrity.structure.damage import Span


class WantedDigests(NamedTuple):
    """A file, and the digests that are wanted of it."""

    path: Path
    algorithms: tuple[str, ...]


class _Stopped(Exception):
    """Ends the reading of a file that nobody waits for."""


class BegunDigests:
    """The digests of one file; ``before`` is what the system said of it before it was opened.

    ``unreadable`` is filled as :func:`.digest_file` does.
    """

    def __init__(self, wanted: WantedDigests) -> None:
        self.before = os.stat(wanted.path)  # noqa: PTH116
        self.unreadable: list[Span] = []
        self._wanted = wanted
        self._lock = threading.Lock()
        self._counted = 0  # bytes that nobody was told of
        self._on_bytes: Callable[[int], None] = self._keep
        self._is_done = threading.Event()
        self._digests: Digests | None = None
        self._error: BaseException | None = None

    def run(self) -> None:
        """Take them; what goes wrong is raised by :meth:`result`."""
        try:
            self._digests = digest_file(
                self._wanted.path,
                algorithms=self._wanted.algorithms,
                on_bytes=self._count,
                unreadable=self.unreadable,
            )
        except BaseException as error:  # noqa: BLE001  # whoever asks for the result gets it
            self._error = error
        self._is_done.set()

    def result(self, on_bytes: Callable[[int], None]) -> Digests:
        """Wait for them; ``on_bytes`` is told of what was read before, and of all that follows."""
        with self._lock:
            counted, self._on_bytes = self._counted, on_bytes
        on_bytes(counted)
        self._is_done.wait()
        if self._digests is None:
            assert self._error is not None
            raise self._error
        return self._digests

    def stop(self) -> None:
        """End the reading at its next block."""
        with self._lock:
            self._on_bytes = _refuse

    def _count(self, count: int) -> None:
        with self._lock:
            on_bytes = self._on_bytes
            self._counted += count
        on_bytes(count)

    def _keep(self, count: int) -> None:
        """Nobody is there to be told so far."""


def _refuse(count: int) -> None:
    raise _Stopped


class DigestsAhead:
    """Reads files one after the other until one is taken; use it in a ``with`` block.

    Who comes to take one reads the rest, several at a time.
    """

    def __init__(self, wanted: Iterable[WantedDigests]) -> None:
        self._waiting = deque(wanted)
        self._begun: dict[Path, BegunDigests] = {}
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name="ahead", daemon=True)

    def __enter__(self) -> Self:
        if self._waiting:
            self._thread.start()
        return self

    def __exit__(self, *raised: object) -> None:
        with self._lock:
            self._waiting.clear()
            for begun in self._begun.values():
                begun.stop()
        if self._thread.ident is not None:
            self._thread.join()

    def take(self, path: Path) -> BegunDigests | None:
        """Return what was begun of a file; no other is begun from now on."""
        with self._lock:
            self._waiting.clear()
            return self._begun.pop(path, None)

    def _run(self) -> None:
        while (begun := self._begin()) is not None:
            begun.run()

    def _begin(self) -> BegunDigests | None:
        with self._lock:
            while self._waiting:
                wanted = self._waiting.popleft()
                with suppress(OSError):  # whoever reads it will say so
                    begun = self._begun[wanted.path] = BegunDigests(wanted)
                    return begun
            return None
