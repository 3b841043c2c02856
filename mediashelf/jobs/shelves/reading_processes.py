"""Small images are read by other processes as well: reading them is work for the processor.

Large images keep a disk busy; threads are enough for them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from pathlib import PurePath

from mediashelf.catalogue.scanning.image_names import SUFFIXES_BY_CONTENT
from mediashelf.catalogue.scanning.scan_plan import Job
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.helping.processes import Helpers

ENOUGH = 250
"""Small images that take longer than it takes to start a process for them."""

_READ = "mediashelf.jobs.shelves.reading_child:read_small_image"
_SMALL = 16 << 20  # bytes
_MOST_PROCESSES = 4  # what more of them read would wait to be recorded
_MOST_WAITING = 32
"""Images that wait for a process; what is more is read here, so that all end together."""


def is_small(job: Job) -> bool:
    """Tell whether an image is read elsewhere: not one that shares its sectors with others."""
    seen = job.seen
    suffix = PurePath(seen.path).suffix.lower()
    return seen.size < _SMALL and not seen.is_sheet and suffix not in SUFFIXES_BY_CONTENT


class ReadingProcesses(Helpers[Reading]):
    """Reads in other processes what is small, where that is much; use it in a ``with`` block."""

    def __init__(self, jobs: Sequence[Job], *, with_packages: bool) -> None:
        self._with_packages = with_packages
        small = sum(map(is_small, jobs))
        super().__init__(_READ, work=small, enough=ENOUGH, most=_MOST_PROCESSES, share=True)

    def submit(self, job: Job, read_here: Callable[[], Reading]) -> Future[Reading] | None:
        """Have an image read, None where it is to be read here."""
        if not is_small(job):
            return None
        with_packages = self._with_packages and job.row is None
        question = (job.file, job.algorithms, with_packages)
        return self.ask(question, read_here, _MOST_WAITING)
