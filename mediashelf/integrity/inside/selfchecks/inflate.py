"""Expanding a deflate stream without keeping what comes out."""

from __future__ import annotations

import zlib

from msgspec import Struct

from mediashelf.formats.fields import View
from mediashelf.formats.packed.signatures import ARCHIVES, detect_format
from mediashelf.formats.runs import CHUNK_SIZE

_FIRST_CHUNK = 4096
_RAW_DEFLATE = -15  # no zlib or gzip wrapping, window of 32 KiB
_HEAD_SIZE = 16


class Expanded(Struct, frozen=True):
    """What a stream turned out to hold.

    ``consumed`` counts bytes of the stream, ``size`` and ``crc`` (CRC-32) those
    that came out. ``is_complete`` means that the stream's own end was reached,
    ``is_over`` that more came out than was allowed. ``error`` is the library's
    word for what is wrong. ``head`` is the beginning of what came out.
    """

    consumed: int
    size: int
    crc: int
    is_complete: bool
    is_over: bool
    error: str
    head: bytes

    @property
    def is_archive(self) -> bool:
        """Whether what came out begins like an archive."""
        return detect_format(self.head) in ARCHIVES


def expand(view: View, offset: int, stored_size: int, *, limit: int) -> Expanded:
    """Expand the raw deflate stream at ``offset``, up to ``limit`` bytes and not one more.

    At most ``stored_size`` bytes are read. Memory stays at a few chunks whatever
    the stream says.
    """
    inflater = zlib.decompressobj(_RAW_DEFLATE)
    read = size = crc = 0
    head, pending, error = b"", b"", ""
    step = _FIRST_CHUNK
    while not inflater.eof:
        if not pending:
            pending = view.read(offset + read, min(step, stored_size - read))
            read += len(pending)
            step = min(2 * step, CHUNK_SIZE)
        try:
            # One byte above the limit is enough to know that there is more.
            output = inflater.decompress(pending, min(CHUNK_SIZE, limit - size + 1))
        except zlib.error as problem:
            error = str(problem)
            break
        had_input = bool(pending)
        pending = inflater.unconsumed_tail
        size += len(output)
        crc = zlib.crc32(output, crc)
        head = head or output[:_HEAD_SIZE]
        if size > limit or not (output or had_input):
            break
    # At the end both of the library's leftovers may hold the same bytes.
    consumed = read - len(inflater.unused_data if inflater.eof else pending)
    return Expanded(consumed, size, crc, inflater.eof, size > limit, error, head)
