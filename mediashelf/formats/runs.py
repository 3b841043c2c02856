"""Views of parts of a disc: one file's bytes as one run, however it is recorded."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from itertools import accumulate
from typing import NamedTuple

from mediashelf.formats.fields import View

CHUNK_SIZE = 96 << 10
"""Bytes that streaming reads take at a time.

From 128 KiB on the C library of Linux has memory mapped anew for each of them (mallopt(3),
M_MMAP_THRESHOLD), which took a tenth of the time of unpacking.
"""


NOWHERE = -1
"""The offset of a run that is not in the view and reads as zero bytes."""


class Run(NamedTuple):
    """Consecutive bytes of a view, or, at :data:`NOWHERE`, zeros that were never recorded."""

    offset: int
    size: int


class RunsView:
    """The runs of another view, one after the other.

    Runs that touch are joined; what is outside the other view is left out, so
    that ``size`` counts bytes that are really there, or were never recorded.
    """

    def __init__(self, view: View, runs: Iterable[Run]) -> None:
        self._view = view
        self.runs = _joined(runs, view.size)
        self._ends = list(accumulate(run.size for run in self.runs))

    @property
    def size(self) -> int:
        return self._ends[-1] if self._ends else 0

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        places = list(self._iter_runs(offset, size))
        if len(places) == 1:
            return self._read_run(places[0])
        return b"".join(map(self._read_run, places))

    def iter_places(self, offset: int, size: int) -> Iterator[Run]:
        """Yield where bytes of this view are in the other one, in order."""
        return (run for run in self._iter_runs(offset, size) if run.offset >= 0)

    def _read_run(self, run: Run) -> bytes:
        return self._view.read(*run) if run.offset >= 0 else bytes(run.size)

    def _iter_runs(self, offset: int, size: int) -> Iterator[Run]:
        end = min(offset + size, self.size)
        index = bisect_right(self._ends, offset)
        while 0 <= offset < end:
            run = self.runs[index]
            skipped = offset - (self._ends[index] - run.size)
            taken = min(run.size - skipped, end - offset)
            yield Run(run.offset + skipped if run.offset >= 0 else NOWHERE, taken)
            offset += taken
            index += 1


class TailView:
    """What another view holds from ``start`` on."""

    def __init__(self, view: View, start: int) -> None:
        self._view = view
        self.start = start

    @property
    def size(self) -> int:
        return max(0, self._view.size - self.start)

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end."""
        return self._view.read(self.start + offset, size)


def iter_chunks(view: View, offset: int = 0, size: int | None = None) -> Iterator[bytes]:
    """Yield the bytes from ``offset`` on, ``size`` at most; stops where the view ends."""
    left = view.size - offset if size is None else size
    while left > 0:
        data = view.read(offset, min(left, CHUNK_SIZE))
        if not data:
            return
        yield data
        offset += len(data)
        left -= len(data)


def _joined(runs: Iterable[Run], limit: int) -> tuple[Run, ...]:
    joined: list[Run] = []
    for offset, size in runs:
        if offset == NOWHERE and size > 0:
            joined.append(Run(offset, size))
            continue
        size = min(size, limit - offset)
        if offset < 0 or size <= 0:
            continue
        if joined and joined[-1].offset >= 0 and sum(joined[-1]) == offset:
            joined[-1] = Run(joined[-1].offset, joined[-1].size + size)
        else:
            joined.append(Run(offset, size))
    return tuple(joined)
