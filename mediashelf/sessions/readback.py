"""Read a file back from the card, past what the system keeps of it in memory."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from mediashelf.errors import InputError, StagingError
from mediashelf.integrity.digests import Digester, Digests, digest_file
from mediashelf.sessions.manifest_values import FileDigests

ALGORITHMS = ("xxh3_128", "sha256")

_PROBES = 64  # places of a file that are asked about
_TRIES = 4  # pages that are in use at the moment are not let go


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What the card gave back; ``from_device`` is False when it may have come from memory."""

    size: int
    digests: FileDigests
    from_device: bool

    @property
    def word(self) -> str:
        """The manifest's word for how the copy was confirmed."""
        return "device" if self.from_device else "cache"


def read_back(path: Path, *, on_bytes: Callable[[int], None] = lambda count: None) -> ReadBack:
    """Flush a file to its device, ask the system to forget it, and digest what it reads then.

    Whether the system did forget is probed (Linux: reads that may not wait, which
    fail for what is not in memory). Elsewhere, and on file systems that live in
    memory, ``from_device`` is False. What the card's own electronics keep cannot
    be seen from here. Raises :class:`StagingError` when the file cannot be read.
    """
    try:
        is_forgotten = _forget(path)
        found = digest_file(
            path, algorithms=ALGORITHMS, block_size=0, on_bytes=on_bytes, past_cache=True
        )
    except (InputError, OSError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise StagingError(
            f"the card does not give the copy back: {reason}. Look at the card and run again: "
            "what is whole is kept"
        ) from error
    return ReadBack(found.size, as_file_digests(found), is_forgotten)


def digest_whole(
    path: Path, *, on_bytes: Callable[[int], None] = lambda count: None
) -> FileDigests:
    """Return a file's digests for the manifest, from wherever the system has it.

    Raises :class:`InputError` when it cannot be read.
    """
    return as_file_digests(
        digest_file(path, algorithms=ALGORITHMS, block_size=0, on_bytes=on_bytes)
    )


def digest_or_none(path: Path) -> FileDigests | None:
    """Return a file's digests, or None when it cannot be read."""
    try:
        return digest_whole(path)
    except InputError:
        return None


def digest_bytes(data: bytes) -> FileDigests:
    """Return the digests of bytes that are at hand."""
    digester = Digester(ALGORITHMS, block_size=0)
    digester.update(data)
    return as_file_digests(digester.finish())


def as_file_digests(found: Digests) -> FileDigests:
    """Return the digests that the manifest keeps."""
    return FileDigests(found.whole["xxh3_128"], found.whole["sha256"])


def _forget(path: Path) -> bool:
    """Return whether, after this, none of the probed places of the file is in memory."""
    if not (hasattr(os, "posix_fadvise") and hasattr(os, "RWF_NOWAIT")):
        return False
    descriptor = os.open(path, os.O_RDONLY)
    try:
        with suppress(OSError):  # a medium that was switched to read-only is flushed already
            os.fsync(descriptor)
        size = os.fstat(descriptor).st_size
        # A probe may start to read its place. Without reading ahead, and from the
        # end to the start, it does not bring in the place of another probe.
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_RANDOM)
        places = range(0, size, max(1, size // _PROBES))[::-1]
        for _ in range(_TRIES):
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            if not any(_is_in_memory(descriptor, offset) for offset in places):
                return size > 0
        return False
    finally:
        os.close(descriptor)


def _is_in_memory(descriptor: int, offset: int) -> bool:
    """Return whether a read there would not have to wait for the device; also when unknown."""
    try:
        os.preadv(descriptor, [bytearray(1)], offset, os.RWF_NOWAIT)
    except BlockingIOError:
        return False
    except OSError:
        return True  # the file system does not support the question
    return True
