"""The digests that a driver catalog can have of a file: of the whole, or of a program's image."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from mediashelf.errors import FormatError
from mediashelf.formats.packed.portable_executable import (
    find_pe_header,
    image_ranges,
    read_portable_executable,
)
from mediashelf.formats.runs import RunsView, iter_chunks
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.integrity.inside.selfchecks.faults import Tally


def digests_of(
    contents: RunsView, algorithms: set[str], tally: Tally, on_bytes: Callable[[int], None]
) -> tuple[list[dict[str, str]], bool] | None:
    """Read one file; return its digests in each way to read it, and whether these are all.

    The last are those expected: of a program its image, of others the whole file. A file that
    cannot be read is counted in ``tally``.
    """
    try:
        readings, is_clear = _readings_of(contents, algorithms)
        offset = 0
        for chunk in iter_chunks(contents):
            for reading in readings:
                reading.update(offset, chunk)
            offset += len(chunk)
            on_bytes(len(chunk))
    except OSError:
        tally.unverified["files that cannot be read"] += 1
        return None
    return [reading.finish() for reading in readings], is_clear


def _readings_of(contents: RunsView, algorithms: set[str]) -> tuple[list[_Reading], bool]:
    """Return the ways to read a file for its digest, and whether they are sure to be all."""
    whole = [(0, contents.size)]
    ranges, is_clear = [whole], True
    start = find_pe_header(contents)
    if start is not None:
        try:
            images = image_ranges(read_portable_executable(contents, start), contents.size)
        except FormatError:
            images = []  # a damaged header: then only its bytes as they are
        is_clear = len(images) < 2
        ranges += images
    return [_Reading(each, algorithms) for each in ranges], is_clear


class _Reading:
    """The digests of some ranges of a file, whose bytes come in order."""

    def __init__(self, ranges: Sequence[tuple[int, int]], algorithms: set[str]) -> None:
        self._ranges = ranges
        self._digester = Digester(algorithms, block_size=0)

    def update(self, offset: int, data: bytes) -> None:
        """Count in what of ``data``, which is at ``offset``, is in the ranges."""
        view = memoryview(data)
        for start, end in self._ranges:
            if start < offset + len(data) and end > offset:
                self._digester.update(view[max(start - offset, 0) : max(end - offset, 0)])

    def finish(self) -> dict[str, str]:
        """Return the digests by algorithm."""
        return self._digester.finish().whole
