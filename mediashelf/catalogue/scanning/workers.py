"""Reading many images by a few threads, in order, so that a run can be stopped at any block."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from typing import TypeVar

from mediashelf.helping.processes import result_of

WORKERS = 2
"""Threads, one an image; two keep a disk busy, and more make a spinning one seek."""

_AHEAD = 4  # images read and not yet taken; bounds the memory that their entries fill

MOST_TOGETHER = 32
_SMALL = 4 << 20
"""Bytes of jobs that may wait beyond that, and be taken together."""

_SMALL_JOB = 256 << 10
"""Bytes that are hashed in less time than a thread is waited for."""


class Stopped(Exception):
    """Ends the threads' work when the person stops the run; never leaves the catalogue's modules.

    Raised by the callback that counts bytes.
    """


Job = TypeVar("Job")
Result = TypeVar("Result")

Elsewhere = Callable[[Job, Callable[[], Result]], Future[Result] | None]
"""Has a job done by others, None where they do not; what it is given second does it here."""


_Waiting = deque[tuple[Job, Future[Result], int]]
"""What was begun, in order, with the bytes that are still to be counted."""


def read_many(
    jobs: Iterable[Job],
    read: Callable[[Job, Callable[[int], None]], Result],
    *,
    workers: int = WORKERS,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Generator[tuple[Job, Result], None, None]:
    """Yield each job with its result, as :func:`read_together` does."""
    for batch in read_together(jobs, read, workers=workers, on_bytes=on_bytes):
        yield from batch


def read_together(
    jobs: Iterable[Job],
    read: Callable[[Job, Callable[[int], None]], Result],
    *,
    workers: int = WORKERS,
    size_of: Callable[[Job], int] = lambda job: _SMALL,
    ask_ahead: Callable[[Job], None] | None = None,
    elsewhere: Elsewhere[Job, Result] | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Generator[list[tuple[Job, Result]], None, None]:
    """Yield jobs with their results, in the order of the jobs, read by a few threads.

    Those that are ready at once come together; of jobs that are small by ``size_of`` these
    may be more. Very small ones are read in the caller's thread, where the system can be asked
    for their files before (``ask_ahead``): threads of Python would wait for each other longer.
    ``elsewhere`` is asked first of each; the bytes of what it does are counted by ``size_of``.
    ``read`` gets the job and the callback to pass on. Closing the iterator, or an exception in
    the caller, stops the threads at their next block.
    """
    stop = threading.Event()
    lock = threading.Lock()

    def count(amount: int) -> None:
        if stop.is_set():
            raise Stopped
        with lock:
            on_bytes(amount)

    def work(job: Job, count: Callable[[int], None] = count) -> Result:
        if stop.is_set():
            raise Stopped
        return read(job, count)

    def go_on(amount: int) -> None:
        if stop.is_set():
            raise Stopped

    waiting: _Waiting[Job, Result] = deque()
    size = 0  # of what waits
    pool = ThreadPoolExecutor(workers, thread_name_prefix="read")
    try:
        for job in jobs:
            done = elsewhere(job, partial(work, job, go_on)) if elsewhere is not None else None
            if done is not None:
                waiting.append((job, done, size_of(job)))
            elif ask_ahead is not None and size_of(job) < _SMALL_JOB:
                ask_ahead(job)
                waiting.append((job, _Later(work, job), 0))
            else:
                waiting.append((job, pool.submit(work, job), 0))
            size += size_of(job)
            is_much = size > _SMALL or len(waiting) >= 2 * MOST_TOGETHER
            if len(waiting) >= workers + _AHEAD and is_much:
                batch = _ready(waiting, count)
                size -= sum(size_of(done) for done, _ in batch)
                yield batch
        while waiting:
            yield _ready(waiting, count)
    finally:
        stop.set()
        pool.shutdown(wait=True, cancel_futures=True)


class _Later(Future[Result]):
    """Work that is done in the thread of whoever asks first whether it is done."""

    def __init__(self, work: Callable[[Job], Result], job: Job) -> None:
        super().__init__()
        self._work, self._job = work, job

    def done(self) -> bool:
        if not super().done():
            try:
                self.set_result(self._work(self._job))
            except BaseException as error:  # noqa: BLE001  # whoever asks for the result gets it
                self.set_exception(error)
        return True


def _ready(
    waiting: _Waiting[Job, Result], count: Callable[[int], None]
) -> list[tuple[Job, Result]]:
    """Take the first, for which it waits, and those after it that are done and went well."""
    first, future, size = waiting.popleft()
    for _, later, _ in waiting:
        if future.done():
            break
        later.done()  # done here while others are at the first
    batch = [(first, result_of(future))]
    while waiting and len(batch) < MOST_TOGETHER:
        job, future, more = waiting[0]
        if not future.done() or future.exception() is not None:
            break
        waiting.popleft()
        batch.append((job, future.result()))
        size += more
    if size:
        count(size)
    return batch
