"""The bytes of directories: each block is read as part of one only, and within bounds."""

from __future__ import annotations

from bisect import bisect_right

from msgspec import Struct

from mediashelf.formats.fields import View
from mediashelf.formats.iso.naming import Directory
from mediashelf.formats.problem_log import ProblemLog


class Limits(Struct, frozen=True):
    """Where a walk stops, far above what any real disc has."""

    entries: int = 1_000_000
    depth: int = 256
    path_characters: int = 4096
    directory_size: int = 64 << 20
    text_characters: int = 128 << 20  # of all paths together


DEFAULT_LIMITS = Limits()


class DirectoryReader:
    """Reads directories of one tree, within ``limits``.

    Records that another tree shares with this one are logged there, which ``record_log`` does.
    ``is_complete`` turns False when damage or a bound kept something from being read,
    ``was_bounded`` turns True when it was a bound.
    """

    def __init__(
        self, view: View, block_size: int, limits: Limits, log: ProblemLog, record_log: ProblemLog
    ) -> None:
        self._view, self._block_size, self._limits = view, block_size, limits
        self._log, self._record_log = log, record_log
        self._visited = _Blocks()
        self.is_complete = True
        self.was_bounded = False

    def read(self, directory: Directory) -> bytes | None:
        """Return a directory's bytes, or None when its blocks were visited before."""
        size = min(directory.size, self._limits.directory_size)
        if size < directory.size:
            self.stop_at(directory, f"a directory of {directory.size:,} bytes is too large")
        end = directory.lba - -size // self._block_size
        if not self._visited.add(directory.lba, end):
            self.is_complete = False
            self._log.add(
                "directory-loop",
                directory.where,
                f"the directory's extent at LBA {directory.lba} already belongs to another "
                "directory; it was not read again",
                offset=directory.offset,
                length=directory.size,
            )
            return None
        data = self._view.read(directory.offset, size)
        if len(data) < size:
            self.is_complete = False
            self._record_log.add(
                "directory-readable",
                directory.where,
                f"{size - len(data):,} of {size:,} bytes of the directory are past the end "
                "of the image",
                offset=directory.offset,
                length=size,
                found=len(data),
                expected=size,
            )
        return data

    def stop_at(self, directory: Directory, reason: str) -> None:
        """Log that a bound keeps the rest of a directory from being read."""
        self.is_complete, self.was_bounded = False, True
        self._log.add(
            "walk-bounded",
            directory.where,
            f"{reason}; the rest was not read",
            offset=directory.offset,
        )


class _Blocks:
    """Runs of blocks that do not overlap; memory grows with their number, not with the disc."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []

    def add(self, start: int, end: int) -> bool:
        """Keep the run from ``start`` to before ``end``, or return False where it overlaps one."""
        place = bisect_right(self._starts, start)
        if place and self._ends[place - 1] > start:
            return False
        if place < len(self._starts) and self._starts[place] < end:
            return False
        self._starts.insert(place, start)
        self._ends.insert(place, end)
        return True
