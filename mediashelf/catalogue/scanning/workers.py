"""Reading many images by a few threads, in order, so that a run can be stopped at any block."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import TypeVar

WORKERS = 2
"""One thread an image; two keep a disk busy, and more make a spinning one seek."""

_TURN_SECONDS = 0.2

_AHEAD = 4  # images read and not yet taken; bounds the memory that their entries fill


class Stopped(Exception):
    """Ends the threads' work when the person stops the run; never leaves the catalogue's modules.

    Raised by the callback that counts bytes.
    """


Job = TypeVar("Job")
Result = TypeVar("Result")


def read_many(
    jobs: Iterable[Job],
    read: Callable[[Job, Callable[[int], None]], Result],
    *,
    workers: int = WORKERS,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Generator[tuple[Job, Result], None, None]:
    """Yield each job with its result, in the order of the jobs, read by a few threads.

    ``read`` gets the job and the callback to pass on. Closing the iterator, or an
    exception in the caller, stops the threads at their next block.
    """
    stop = threading.Event()
    lock = threading.Lock()

    def count(amount: int) -> None:
        if stop.is_set():
            raise Stopped
        with lock:
            on_bytes(amount)

    def work(job: Job) -> Result:
        if stop.is_set():
            raise Stopped
        return read(job, count)

    waiting: deque[tuple[Job, Future[Result]]] = deque()
    pool = ThreadPoolExecutor(workers, thread_name_prefix="read")
    try:
        for job in jobs:
            waiting.append((job, pool.submit(work, job)))
            if len(waiting) >= workers + _AHEAD:
                first, future = waiting.popleft()
                yield first, _result(future)
        while waiting:
            first, future = waiting.popleft()
            yield first, _result(future)
    finally:
        stop.set()
        pool.shutdown(wait=True, cancel_futures=True)


def _result(future: Future[Result]) -> Result:
    """Wait in short turns: in Windows, Ctrl-C interrupts no wait for another thread.

    "threading", Lock objects: acquiring a lock is interrupted by signals on POSIX alone.
    """
    while not future.done():
        wait([future], timeout=_TURN_SECONDS)
    return future.result()
