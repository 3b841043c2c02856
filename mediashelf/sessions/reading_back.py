"""Read a file back from the card itself, not from what the system keeps of it in memory."""

from __future__ import annotations

import errno
import mmap
import os
from collections.abc import Callable
from contextlib import suppress
from itertools import cycle
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError, StagingError
from mediashelf.files import flush_file
from mediashelf.integrity.fixity.digests import Digester, Digests
from mediashelf.integrity.fixity.overlapping import OverlappedDigester
from mediashelf.integrity.fixity.reading import digest_file
from mediashelf.sessions.manifests.fields import Confirmed
from mediashelf.sessions.manifests.parts import FileDigests
from mediashelf.sessions.mounts import lives_in_memory

ALGORITHMS = ("xxh3_128", "sha256")

_BUFFER_SIZE = 4 << 20

OnBytes = Callable[[int], None]


class ReadBack(Struct, frozen=True):
    """What the card gave back; ``from_device`` is False when it may have come from memory."""

    size: int
    digests: FileDigests
    from_device: bool

    @property
    def word(self) -> Confirmed:
        """The manifest's word for how the copy was confirmed."""
        return "device" if self.from_device else "cache"


def read_back_file(path: Path, *, on_bytes: OnBytes = lambda count: None) -> ReadBack:
    """Flush a file to its device and digest what the device gives back.

    On Linux the file is read past the system's memory (``O_DIRECT``, open(2)).
    Where the file system does not offer that, or lives in memory itself, the
    system is only asked to forget the file first, and ``from_device`` is False.
    What the card's own electronics keep cannot be seen from here. Raises
    :class:`StagingError` when the file cannot be read.
    """
    try:
        _flush(path)
        found = _digest_past_memory(path, on_bytes)
        if found is not None:
            return ReadBack(found.size, as_file_digests(found), not lives_in_memory(path))
        found = digest_file(
            path, algorithms=ALGORITHMS, block_size=0, on_bytes=on_bytes, past_cache=True
        )
        return ReadBack(found.size, as_file_digests(found), False)
    except (InputError, OSError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise StagingError(
            f"the copy cannot be read back from the card: {reason}. Check the card and run again: "
            "complete images are kept"
        ) from error


def digest_whole(path: Path, *, on_bytes: OnBytes = lambda count: None) -> FileDigests:
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


def _flush(path: Path) -> None:
    with suppress(OSError):  # a medium that was switched to read-only is flushed already
        flush_file(path)


def _digest_past_memory(path: Path, on_bytes: OnBytes) -> Digests | None:
    """Digest a file read with O_DIRECT, or return None where that is not to be had.

    Such reads need buffers and offsets that are aligned: maps are, and so are
    multiples of their size.
    """
    if not (hasattr(os, "O_DIRECT") and hasattr(os, "preadv")):
        return None
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECT)
    except OSError as error:
        if error.errno == errno.EINVAL:
            return None
        raise
    # One is counted while the next one is filled; they close with the last view of them.
    buffers = cycle([memoryview(mmap.mmap(-1, _BUFFER_SIZE)) for _ in range(2)])
    done, size = 0, os.fstat(descriptor).st_size
    try:
        with OverlappedDigester(Digester(ALGORITHMS, block_size=0)) as digester:
            while done < size:
                buffer = next(buffers)
                count = os.preadv(descriptor, [buffer], done)
                if not count:
                    break  # it was cut short meanwhile; the size tells
                digester.update(buffer[:count])
                done += count
                on_bytes(count)
            return digester.finish()
    except OSError as error:
        if error.errno == errno.EINVAL and not done:
            return None
        raise
    finally:
        os.close(descriptor)
