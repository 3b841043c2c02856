"""One file compressed by gzip, bzip2, xz or LZMA: expanded into a spool, and a tree of one file.

Bounds: bytes as :class:`Bounds` allows; xz and LZMA may want 256 MiB of memory. Python's own
decoders check the checksums of gzip, bzip2 and xz; LZMA alone has none.
"""

from __future__ import annotations

import bz2
import lzma
import zlib
from collections.abc import Iterator
from typing import NamedTuple, Protocol

from mediashelf.errors import InputError
from mediashelf.formats.fields import View
from mediashelf.trees.bytes import Spool
from mediashelf.trees.members import Bounds, TreeMember, split_name
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import Wrapping

_READ = 1 << 18
_PIECE = 1 << 18
_MOST_MEMORY = 256 << 20
_GZIP = 31  # zlib's number for a gzip stream with any window


class _Decoder(Protocol):
    """What Python's decoders have in common, and zlib's after a little help."""

    @property
    def eof(self) -> bool: ...

    @property
    def needs_input(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    def decompress(self, data: bytes, max_length: int) -> bytes: ...


class _GzipDecoder:
    """A member of a gzip file."""

    def __init__(self) -> None:
        self._decoder = zlib.decompressobj(_GZIP)

    @property
    def eof(self) -> bool:
        return self._decoder.eof

    @property
    def needs_input(self) -> bool:
        return not self._decoder.unconsumed_tail

    @property
    def unused_data(self) -> bytes:
        return self._decoder.unused_data

    def decompress(self, data: bytes, max_length: int) -> bytes:
        return self._decoder.decompress(self._decoder.unconsumed_tail + data, max_length)


class ExpandedFile(NamedTuple):
    """What a compressed file holds, and the count of bytes after it that are not part of it."""

    spool: Spool
    unread: int


def expand_file(where: str, wrapping: Wrapping, view: View, bounds: Bounds) -> ExpandedFile:
    """Return what a compressed file holds.

    Raises :class:`InputError` when it is damaged, cut short, or expands too far.
    """
    allowed = bounds.allowance(view.size)
    spool, streams = Spool(), _Streams(where, wrapping, view)
    try:
        for piece in streams:
            if spool.size + len(piece) > allowed:
                raise InputError(f"{where}: expands to more than {allowed:,} bytes")
            spool.append(piece)
    except (zlib.error, lzma.LZMAError, OSError, ValueError, EOFError) as error:
        spool.close()
        raise InputError(f"{where}: the {wrapping.value} is damaged: {error}") from error
    except BaseException:
        spool.close()
        raise
    return ExpandedFile(spool, streams.unread)


class _Streams:
    """Yields what all streams of a file hold, one after the other; ``unread`` bytes follow."""

    def __init__(self, where: str, wrapping: Wrapping, view: View) -> None:
        self.unread = 0
        self._where, self._wrapping, self._view = where, wrapping, view

    def __iter__(self) -> Iterator[bytes]:
        at = 0
        data = b""
        decoder = _new_decoder(self._wrapping)
        while True:
            if not data:
                data = self._view.read(at, _READ)
                at += len(data)
            if decoder.eof:
                # Zeros may follow the last stream (RFC 1952 does not say so; common practice).
                if not data.strip(b"\0"):
                    if not data:
                        return
                    data = b""
                    continue
                if self._wrapping is Wrapping.XZ:
                    data = data.lstrip(b"\0")  # padding may be between streams (.xz format, 2.2)
                if not _begins_stream(self._wrapping, data):
                    self.unread = self._view.size - at + len(data)
                    return
                decoder = _new_decoder(self._wrapping)
            elif not data and decoder.needs_input:
                raise InputError(f"{self._where}: the {self._wrapping.value} is cut short")
            yield decoder.decompress(data, _PIECE)
            data = decoder.unused_data if decoder.eof else b""


def _begins_stream(wrapping: Wrapping, data: bytes) -> bool:
    starts = {Wrapping.GZIP: b"\x1f\x8b", Wrapping.BZIP2: b"BZh", Wrapping.XZ: b"\xfd7zXZ\0"}
    start = starts.get(wrapping)
    return start is not None and data.startswith(start[: len(data)])


def _new_decoder(wrapping: Wrapping) -> _Decoder:
    if wrapping is Wrapping.GZIP:
        return _GzipDecoder()
    if wrapping is Wrapping.BZIP2:
        return bz2.BZ2Decompressor()
    return lzma.LZMADecompressor(lzma.FORMAT_AUTO, memlimit=_MOST_MEMORY)


class OneFileTree(Tree):
    """A file alone, as the file that it was compressed from: without its last suffix."""

    def __init__(self, where: str, wrapping: Wrapping, view: View) -> None:
        super().__init__(where, wrapping.value)
        self._view = view
        try:
            name = split_name(where)[-1]
        except (ValueError, IndexError):
            name = where.replace("\\", "/").rpartition("/")[2]
        stem, dot, _ = name.rpartition(".")
        self.members = [TreeMember((stem if dot and stem else name,), view.size, None)]

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        for at in range(0, self._view.size, _PIECE):
            yield self._view.read(at, _PIECE)
