"""A medium that does not give some bytes of a file: the system's EIO, whoever reads them."""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest


def fail_reads(monkeypatch: pytest.MonkeyPatch, path: Path, *bad: range) -> None:
    """Let every read of ``path`` fail that reaches into one of the runs of bytes."""
    status = path.stat()

    def is_bad(descriptor: int, offset: int, size: int) -> bool:
        found = os.fstat(descriptor)
        if (found.st_dev, found.st_ino) != (status.st_dev, status.st_ino):
            return False
        return any(offset < run.stop and offset + size > run.start for run in bad)

    def refuse() -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    def watched(whole: Callable[..., bytes]) -> Callable[..., bytes]:
        def read_or_fail(descriptor: int, size: int, *offset: int) -> bytes:
            at = offset[0] if offset else os.lseek(descriptor, 0, os.SEEK_CUR)
            if is_bad(descriptor, at, size):
                refuse()
            return whole(descriptor, size, *offset)

        return read_or_fail

    class FailingFile(io.FileIO):
        def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
            if is_bad(self.fileno(), self.tell(), len(buffer)):
                refuse()
            return super().readinto(buffer)

        def read(self, size: int = -1, /) -> bytes:  # type: ignore[override]
            if is_bad(self.fileno(), self.tell(), size):
                refuse()
            return super().read(size)

    # Windows has no pread; there a place is sought and read.
    name = "pread" if hasattr(os, "pread") else "read"
    monkeypatch.setattr(os, name, watched(getattr(os, name)))
    monkeypatch.setattr("mediashelf.integrity.fixity.reading.FileIO", FailingFile)
    monkeypatch.setattr("mediashelf.integrity.raw.files.FileIO", FailingFile)


def sectors(*numbers: int) -> Sequence[range]:
    """The bytes of sectors of an image, each a run of its own."""
    return [range(number * 2048, (number + 1) * 2048) for number in numbers]
