"""Sectors of zeros amid dense data: the gaps that failed reads leave in a copy.

A drive or a copying program that cannot read a sector often writes zeros in its
place, and nothing says so later. Inside text or compressed data 2048 zero bytes
that begin and end with a sector do not come about by themselves. In data that
holds zeros anyway nothing can be told, so that is left alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.runs import RunsView
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.inside.content_files import (
    MAX_OVERLAP,
    ContentFile,
    DistinctFiles,
    Image,
)
from mediashelf.text import count_text

MOST_RUNS = 8
"""With more runs of zero sectors than this, a file is full of zeros by itself."""

MOST_FINDINGS = 100  # of one image

_CHUNK_SECTORS = 512
_NEIGHBOURS = 8 * SECTOR_SIZE  # bytes looked at on both sides of a run
_DENSE = 1 / 16  # the largest part of zero bytes there; random bytes have 1/256
_ZEROS_BESIDE = 2  # zero bytes that may be right beside a run by chance
_ZERO_SECTOR = bytes(SECTOR_SIZE)


class _SectorRun(NamedTuple):
    """Consecutive sectors of a file, by number."""

    first: int
    sector_count: int


def check_zero_runs(
    image: Image,
    *,
    files: Iterable[ContentFile] | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Iterator[Finding]:
    """Yield a note for each gap, file after file in their order on the disc.

    ``files`` are those to look at, all distinct ones by default. Reads every file once, in
    chunks, but no further than it takes to see that a file is full of zeros. ``on_bytes``
    is told what was read.
    """
    told = 0
    allowed = MAX_OVERLAP * image.view.size
    for file in DistinctFiles(image.facts) if files is None else files:
        view = RunsView(image.view, file.runs)
        allowed -= view.size
        if allowed < 0:
            return  # the check of contents says so
        for run in _isolated_runs(view, on_bytes):
            if told == MOST_FINDINGS:
                return
            told += 1
            yield from _findings(file, view, run)


def _isolated_runs(view: View, on_bytes: Callable[[int], None]) -> list[_SectorRun]:
    runs: list[_SectorRun] = []
    for number in _zero_sectors(view, on_bytes):
        if runs and sum(runs[-1]) == number:
            runs[-1] = _SectorRun(runs[-1].first, runs[-1].sector_count + 1)
        elif len(runs) == MOST_RUNS:
            return []
        else:
            runs.append(_SectorRun(number, 1))
    zeros = sum(run.sector_count for run in runs)
    if zeros * SECTOR_SIZE * 4 > view.size:
        return []
    return [run for run in runs if _is_in_dense_data(view, run)]


def _zero_sectors(view: View, on_bytes: Callable[[int], None]) -> Iterator[int]:
    for first in range(0, view.size // SECTOR_SIZE, _CHUNK_SECTORS):
        data = view.read(first * SECTOR_SIZE, _CHUNK_SECTORS * SECTOR_SIZE)
        on_bytes(len(data))
        # Most sectors are told by their first byte.
        starts = data[::SECTOR_SIZE]
        index = starts.find(0)
        while index >= 0:
            if data[index * SECTOR_SIZE : (index + 1) * SECTOR_SIZE] == _ZERO_SECTOR:
                yield first + index
            index = starts.find(0, index + 1)


def _is_in_dense_data(view: View, run: _SectorRun) -> bool:
    start, end = run.first * SECTOR_SIZE, sum(run) * SECTOR_SIZE
    first = max(0, start - _NEIGHBOURS)
    before, after = view.read(first, start - first), view.read(end, _NEIGHBOURS)
    if not before or not after:
        return False  # at the file's beginning or end zeros may well be padding
    if any(part.count(0) > len(part) * _DENSE for part in (before, after)):
        return False
    beside = len(before) - len(before.rstrip(b"\0")), len(after) - len(after.lstrip(b"\0"))
    return max(beside) <= _ZEROS_BESIDE


def _findings(file: ContentFile, view: RunsView, run: _SectorRun) -> Iterator[Finding]:
    offset, size = run.first * SECTOR_SIZE, run.sector_count * SECTOR_SIZE
    for place in view.iter_places(offset, size):
        yield Finding(
            "zeros-amid-data",
            Severity.NOTE,
            file.path,
            f"{count_text(run.sector_count, 'sector')} of zeros from byte {offset:,} on, amid "
            "dense data: such gaps are left where a disc could not be read",
            remedy="compare the file with another copy",
            source="common practice",
            found=f"{size:,} zero bytes",
            offset=place.offset,
            length=place.size,
        )
