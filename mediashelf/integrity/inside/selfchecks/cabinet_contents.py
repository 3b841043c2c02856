"""Which files of a cabinet's folder are in a run of its expanded bytes."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator

from mediashelf.formats.packed.cabinets.records import CabinetFile
from mediashelf.text import first_text

_NAMES_SHOWN = 3


class FolderContents:
    """The files of one folder, in the order of their places in it."""

    def __init__(self, files: list[CabinetFile]) -> None:
        self._files = sorted(files, key=lambda file: file.offset)
        self._offsets = [file.offset for file in self._files]
        self.continues_before = any(file.continues_before for file in files)
        self.continues_after = any(file.continues_after for file in files)

    def named(self, start: int, end: int) -> str:
        """Return the files that have bytes from ``start`` up to ``end``, as words.

        Their offsets count from the folder's beginning; where that is in the cabinet
        before, any of them may be meant.
        """
        names = [
            file.name
            for file in self._files[: bisect_left(self._offsets, end)]
            if file.offset + file.size > start
        ]
        if self.continues_before:
            names = [file.name for file in self._files]
        return first_text(names, _NAMES_SHOWN) or "no file"

    def heads(self, start: int, data: bytes) -> Iterator[bytes]:
        """Yield the beginnings of the files that begin in ``data``, which begins at ``start``."""
        if self.continues_before:
            return
        first = bisect_left(self._offsets, start)
        last = bisect_left(self._offsets, start + len(data))
        for offset in self._offsets[first:last]:
            yield data[offset - start : offset - start + 16]

    def beyond(self, size: int) -> Iterator[CabinetFile]:
        """Yield the files that do not end within ``size`` bytes."""
        return (file for file in self._files if file.offset + file.size > size)
