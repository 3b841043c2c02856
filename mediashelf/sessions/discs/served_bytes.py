"""An image file, and what is done to its bytes on the way to the card."""

from __future__ import annotations

import mmap
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from io import FileIO
from itertools import cycle
from pathlib import Path

from msgspec import Struct

from mediashelf.errors import InputError
from mediashelf.integrity.fixity.digests import Digester
from mediashelf.integrity.fixity.overlapping import OverlappedDigester, Piece
from mediashelf.integrity.raw.convert import read_converted
from mediashelf.integrity.raw.tracks import RawTrack
from mediashelf.sessions.manifests.parts import FileDigests
from mediashelf.sessions.reading_back import ALGORITHMS, as_file_digests

CHUNK = 1 << 20

OnBytes = Callable[[int], None]


class Stamp(Struct, frozen=True):
    """What tells that a file was written: its size and its date."""

    size: int
    mtime_ns: int


class ServedBytes(Struct, frozen=True):
    """Where the bytes of a served image come from.

    ``size`` counts the bytes that are served, ``padding`` those of them that are
    zeros after the image. With ``track`` the data track in the raw file at ``path``
    is converted on the way. ``stamp`` is the file's when it was looked at.
    """

    path: Path
    size: int
    stamp: Stamp | None = None
    padding: int = 0
    track: RawTrack | None = None

    @property
    def read_size(self) -> int:
        """Bytes that are read from the file."""
        return self.track.size if self.track is not None else self.size - self.padding


def read_stamp(path: Path) -> Stamp:
    """Return a file's stamp; raises :class:`InputError` when it cannot be looked at."""
    try:
        status = path.stat()
    except OSError as error:
        raise InputError(f"{path}: cannot be opened: {error.strerror or error}") from error
    return Stamp(status.st_size, status.st_mtime_ns)


def read_served(
    source: ServedBytes,
    on_data: Callable[[Piece], object],
    *,
    on_bytes: OnBytes = lambda count: None,
) -> None:
    """Hand the image's bytes to ``on_data``, just as they are to be served.

    A piece stays as it is until the next one was taken. A file that has grown gives one
    piece too many: whoever takes them counts. Raises :class:`InputError` when the file
    cannot be read; what ``on_data`` raises is left as it is.
    """
    if source.track is not None:
        read_converted(source.track, on_data, on_bytes=on_bytes)
    else:
        _read_plain(source, on_data, on_bytes)
    for zeros in _padding(source):
        on_data(zeros)


def digest_copied(
    source: ServedBytes, *, on_bytes: OnBytes = lambda count: None
) -> tuple[FileDigests, FileDigests]:
    """Return the digests of an image without a track: as it is served, and of its file.

    Raises :class:`InputError` when the file cannot be read or has another size by now.
    """
    with ExitStack() as stack:
        served, bare = (
            stack.enter_context(OverlappedDigester(Digester(ALGORITHMS, block_size=0)))
            for _ in range(2)
        )
        digesters = (served, bare) if source.padding else (served,)

        def take(data: Piece) -> None:
            for digester in digesters:
                digester.update(data)

        _read_plain(source, take, on_bytes)
        for zeros in _padding(source):
            served.update(zeros)
        found = served.finish()
        if found.size != source.size:
            raise InputError(f"{source.path}: changed after it was checked; run again")
        whole = as_file_digests(found)
        return whole, as_file_digests(bare.finish()) if source.padding else whole


def _padding(source: ServedBytes) -> Iterator[bytes]:
    for start in range(0, source.padding, CHUNK):
        yield bytes(min(CHUNK, source.padding - start))


def _read_plain(source: ServedBytes, on_data: Callable[[Piece], object], on_bytes: OnBytes) -> None:
    size, expected = 0, source.size - source.padding
    # Pages of their own: some processors copy to other places at a fraction of the speed.
    buffers = cycle([memoryview(mmap.mmap(-1, CHUNK)) for _ in range(2)])
    with _open(source.path) as reading:
        # One byte more than expected is enough to know of a file that grows.
        while size <= expected and (count := _read(reading, buffer := next(buffers), source.path)):
            on_data(buffer[:count])
            size += count
            on_bytes(count)


def _open(path: Path) -> FileIO:
    try:
        return path.open("rb", buffering=0)
    except OSError as error:
        raise InputError(f"{path}: cannot be opened: {error.strerror or error}") from error


def _read(reading: FileIO, buffer: memoryview, path: Path) -> int:
    try:
        return reading.readinto(buffer)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read at or after byte {reading.tell():,}: {error.strerror or error}"
        ) from error
