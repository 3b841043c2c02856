"""Expanding what a ZIP archive holds: by Python's own decoders, and Deflate64 by inflate64.

Each takes stored bytes and yields pieces of a bounded size. Raises ``ValueError`` with what is
wrong in words. Headers of LZMA members are as Python's zipfile reads them (from memory).
"""

from __future__ import annotations

import bz2
import lzma
import struct
import zlib
from collections.abc import Callable, Iterator
from importlib.util import find_spec

from mediashelf.formats.packed.zip_records import BZIP2, DEFLATE64, DEFLATED, LZMA, METHODS, STORED

PIECE = 1 << 18
_RAW_DEFLATE = -15  # no zlib or gzip wrapping, window of 32 KiB
_DEFLATE64_STEP = 4096
"""Bytes that inflate64 is given at once: it returns all that comes out, up to a thousand times."""

_LARGEST_DICTIONARY = 256 << 20

MAX_EXPANSION = {STORED: 1, DEFLATED: 1032}
"""Bytes that one stored byte can become (zlib's documentation); the others have no such bound."""


def iter_expanded(method: int, stored: Iterator[bytes]) -> Iterator[bytes]:
    """Yield the bytes that ``stored`` becomes; raises ``ValueError`` for data that is damaged."""
    try:
        yield from _EXPANDERS[method](stored)
    except (zlib.error, lzma.LZMAError, OSError, EOFError, RuntimeError) as error:
        raise ValueError(f"its data cannot be expanded: {error}") from error


def why_not_expanded(method: int) -> str:
    """Return why members of this method are not read, nothing where they are."""
    name = METHODS.get(method, f"of method {method}")
    if method == DEFLATE64 and find_spec("inflate64") is None:
        return f"it is {name}, which needs inflate64; pip install 'mediashelf[archives]'"
    return "" if method in _EXPANDERS else f"it is {name}, which is not read here"


def _iter_inflated(stored: Iterator[bytes]) -> Iterator[bytes]:
    inflater = zlib.decompressobj(_RAW_DEFLATE)
    for piece in stored:
        while piece and not inflater.eof:
            yield inflater.decompress(piece, PIECE)
            piece = inflater.unconsumed_tail
    # Up to one window may still be inside.
    while not inflater.eof:
        rest = inflater.decompress(b"", PIECE)
        if not rest:
            break
        yield rest
    _refuse_other_end(inflater.eof, inflater.unused_data)


def _iter_decompressed(
    decoder: bz2.BZ2Decompressor | lzma.LZMADecompressor, stored: Iterator[bytes]
) -> Iterator[bytes]:
    for piece in stored:
        if not decoder.eof:
            yield decoder.decompress(piece, PIECE)
        while not decoder.eof and not decoder.needs_input:
            yield decoder.decompress(b"", PIECE)


def _iter_bzip2(stored: Iterator[bytes]) -> Iterator[bytes]:
    decoder = bz2.BZ2Decompressor()
    yield from _iter_decompressed(decoder, stored)
    _refuse_other_end(decoder.eof, decoder.unused_data)


def _iter_lzma(stored: Iterator[bytes]) -> Iterator[bytes]:
    """Begin with a version (2 bytes), the length of the properties (2), and these."""
    head = b""
    for piece in stored:
        head += piece
        if len(head) >= 9:
            break
    if len(head) < 9 or head[2:4] != b"\5\0":
        raise ValueError("its LZMA header is cut or of another kind")
    bits, dictionary = struct.unpack_from("<BI", head, 4)
    if bits >= 9 * 5 * 5 or dictionary > _LARGEST_DICTIONARY:
        raise ValueError(f"its LZMA header asks for a dictionary of {dictionary:,} bytes")
    properties = {
        "id": lzma.FILTER_LZMA1,
        "dict_size": max(dictionary, 4096),
        "lc": bits % 9,
        "lp": bits // 9 % 5,
        "pb": bits // 45,
    }
    decoder = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=[properties])
    yield from _iter_decompressed(decoder, _chain(head[9:], stored))
    # An end mark is optional here: length and CRC of the member tell.


def _chain(first: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    yield first
    yield from rest


def _iter_deflate64(stored: Iterator[bytes]) -> Iterator[bytes]:
    from inflate64 import Inflater

    inflater = Inflater()
    for piece in stored:
        for at in range(0, len(piece), _DEFLATE64_STEP):
            if inflater.eof:
                raise ValueError("its data does not end where the directory says")
            yield inflater.inflate(piece[at : at + _DEFLATE64_STEP])
    if not inflater.eof:
        raise ValueError("its data does not end where the directory says")


def _refuse_other_end(has_ended: bool, unused: bytes) -> None:
    if not has_ended or unused:
        raise ValueError("its data does not end where the directory says")


_EXPANDERS: dict[int, Callable[[Iterator[bytes]], Iterator[bytes]]] = {
    STORED: lambda stored: stored,
    DEFLATED: _iter_inflated,
    DEFLATE64: _iter_deflate64,
    BZIP2: _iter_bzip2,
    LZMA: _iter_lzma,
}
