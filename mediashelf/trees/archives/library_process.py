"""The process in which libarchive reads, from the side that asks it, and its longest silence."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, BinaryIO

from mediashelf.own_process import start_module

MOST_SECONDS = 120


class _Watch(threading.Thread):
    """Ends a process that says nothing for :data:`MOST_SECONDS`."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        super().__init__(daemon=True)
        self.is_over = False
        self._process = process
        self._heard = time.monotonic()
        self._has_ended = threading.Event()

    def heard(self) -> None:
        """Begin to count again."""
        self._heard = time.monotonic()

    def stop(self) -> None:
        """Count no longer."""
        self._has_ended.set()

    def run(self) -> None:
        while not self._has_ended.wait(1):
            if time.monotonic() - self._heard > MOST_SECONDS:
                self.is_over = True
                self._process.kill()
                return


@contextmanager
def child_process(
    archive_format: str, task: str, file: BinaryIO
) -> Iterator[tuple[IO[bytes], _Watch]]:
    """Start the process; give what it says, and the watch that ends it where it says nothing."""
    # Dates without a zone are taken as UTC, names as UTF-8.
    locale = "en_US.UTF-8" if sys.platform == "darwin" else "C.UTF-8"
    process = start_module(
        "mediashelf.trees.archives.library_child",
        archive_format,
        task,
        stdin=file,
        environment={"TZ": "UTC", "LC_ALL": locale},
    )
    assert process.stdout is not None
    watch = _Watch(process)
    watch.start()
    try:
        yield process.stdout, watch
    finally:
        watch.stop()
        process.kill()
        process.stdout.close()
        process.wait()
