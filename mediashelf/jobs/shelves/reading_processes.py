"""Processes that read small images beside this one: reading them is work for the processor.

Large images keep a disk busy; threads are enough for them. Answers come as futures.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from pathlib import PurePath
from typing import TYPE_CHECKING, Self

from mediashelf.catalogue.scanning.planning import Job
from mediashelf.catalogue.scanning.walk import SUFFIXES_BY_CONTENT
from mediashelf.jobs.shelves.reading_child import Request, receive, send
from mediashelf.own_process import processors, start_module

if TYPE_CHECKING:
    import subprocess

    from mediashelf.catalogue.scanning.values import Reading

FEWEST = 500
"""Small images that take longer than it takes to start processes for them."""

_CHILD = "mediashelf.jobs.shelves.reading_child"
_SMALL = 16 << 20  # bytes
_MOST_PROCESSES = 4


def is_small(job: Job) -> bool:
    """Tell whether an image is read elsewhere: not one that shares its sectors with others."""
    seen = job.seen
    suffix = PurePath(seen.path).suffix.lower()
    return seen.size < _SMALL and not seen.is_sheet and suffix not in SUFFIXES_BY_CONTENT


class ReadingProcesses:
    """Reads in other processes what is small, where that is much; use it in a ``with`` block."""

    def __init__(self, jobs: Sequence[Job], *, with_packages: bool) -> None:
        self._with_packages = with_packages
        count = min(processors(), _MOST_PROCESSES)
        is_worth_it = count > 1 and sum(map(is_small, jobs)) >= FEWEST
        self._children: list[_Child] = []
        with suppress(OSError):  # what cannot be started is not missed
            for _ in range(count if is_worth_it else 0):
                self._children.append(_Child(start_module(_CHILD)))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        for child in self._children:
            child.stop()
        for child in self._children:
            child.join()

    def __bool__(self) -> bool:
        return bool(self._children)

    def submit(self, job: Job, read_here: Callable[[], Reading]) -> Future[Reading] | None:
        """Have an image read, None where it is to be read here.

        ``read_here`` is called, in another thread, where the process came to a bad end.
        """
        alive = [child for child in self._children if child.is_alive]
        if not alive or not is_small(job):
            return None
        with_packages = self._with_packages and job.row is None
        child = min(alive, key=lambda child: len(child.waiting))
        return child.submit(Request(job.file, job.algorithms, with_packages), read_here)


class _Child:
    """One process, with the thread that takes its answers."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.is_alive = True
        self.waiting: deque[tuple[Future[Reading], Callable[[], Reading]]] = deque()
        self._is_stopped = False
        self._lock = threading.Lock()
        self._process = process
        self._thread = threading.Thread(target=self._take_answers, daemon=True)
        self._thread.start()

    def submit(self, request: Request, read_here: Callable[[], Reading]) -> Future[Reading] | None:
        assert self._process.stdin is not None
        future: Future[Reading] = Future()
        with self._lock:
            if not self.is_alive:
                return None
            self.waiting.append((future, read_here))
        with suppress(OSError):  # the thread sees the end of the answers as well
            send(self._process.stdin, request)  # type: ignore[arg-type]
        return future

    def stop(self) -> None:
        self._is_stopped = True
        self._process.kill()

    def join(self) -> None:
        self._thread.join()
        self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):  # requests that nobody read
                    stream.close()

    def _take_answers(self) -> None:
        assert self._process.stdout is not None
        while True:
            try:
                reading = receive(self._process.stdout)  # type: ignore[arg-type]
            except Exception:  # noqa: BLE001  # whatever it was, what it did not read is read here
                break
            future, _ = self.waiting.popleft()
            future.set_result(reading)
        with self._lock:
            self.is_alive = False  # from now on nothing more is put there
        while self.waiting and not self._is_stopped:
            future, read_here = self.waiting.popleft()
            try:
                future.set_result(read_here())
            except BaseException as error:  # noqa: BLE001  # whoever asks for the result gets it
                future.set_exception(error)
