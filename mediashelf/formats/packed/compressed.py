"""Single files in the two classic compressed forms, known by names such as ``NAME.EX_``.

Both layouts are from memory; neither has a published specification or a checksum.
The first form (SZDD) holds one LZSS stream; the second (KWAJ) has five methods and
optional header fields. All numbers are little-endian.
"""

from __future__ import annotations

import struct

from msgspec import Struct

from mediashelf.errors import FormatError

SOURCE = "format of compressed NAME.EX_ files, from memory"

_SZDD_HEADER_SIZE = 14
MAX_KWAJ_HEADER_SIZE = 1 << 17

METHOD_STORED, METHOD_INVERTED, METHOD_LZSS, METHOD_LZ_HUFFMAN, METHOD_MSZIP = range(5)

_SZDD = struct.Struct("<8sBBI")
_KWAJ = struct.Struct("<8sHHH")
_HAS_SIZE, _HAS_UNKNOWN, _HAS_BLOB, _HAS_NAME, _HAS_EXTENSION, _HAS_TEXT = 1, 2, 4, 8, 16, 32


class CompressedHeader(Struct, frozen=True):
    """What such a file says of itself; ``size`` is None where none is recorded."""

    method: int
    size: int | None
    data_offset: int


def parse_compressed_header(data: bytes) -> CompressedHeader:
    """Return the header of either form; raises :class:`FormatError`."""
    if data.startswith(b"SZDD"):
        return _parse_szdd(data)
    return _parse_kwaj(data)


def _parse_szdd(data: bytes) -> CompressedHeader:
    if len(data) < _SZDD_HEADER_SIZE:
        raise FormatError("length of the header", at=0, found=len(data), expected="14 bytes")
    _, mode, _missing_character, size = _SZDD.unpack_from(data)
    if mode != ord("A"):
        raise FormatError("compression mode", at=8, found=bytes([mode]), expected="b'A'")
    return CompressedHeader(METHOD_LZSS, size, _SZDD_HEADER_SIZE)


def _parse_kwaj(data: bytes) -> CompressedHeader:
    if len(data) < _KWAJ.size:
        raise FormatError("length of the header", at=0, found=len(data), expected="14 bytes")
    _, method, data_offset, flags = _KWAJ.unpack_from(data)
    if method > METHOD_MSZIP:
        raise FormatError("compression method", at=8, found=method, expected="0 to 4")
    at, size = _KWAJ.size, None
    if flags & _HAS_SIZE:
        size = int.from_bytes(data[at : at + 4], "little")
        at += 4
    if flags & _HAS_UNKNOWN:
        at += 2
    if flags & _HAS_BLOB:
        at += 2 + int.from_bytes(data[at : at + 2], "little")
    for flag, what, longest in ((_HAS_NAME, "name", 9), (_HAS_EXTENSION, "extension", 4)):
        if flags & flag:
            zero = data.find(b"\0", at, at + longest)
            if zero < 0:
                found = data[at : at + longest]
                raise FormatError(what, at=at, found=found, expected="a zero byte at its end")
            at = zero + 1
    if flags & _HAS_TEXT:
        at += 2 + int.from_bytes(data[at : at + 2], "little")
    if at > min(data_offset, len(data)):
        raise FormatError(
            "offset of the data", at=10, found=data_offset, expected=f"at least {at}, in the file"
        )
    return CompressedHeader(method, size, data_offset)


class LzssLength:
    """Counts what an LZSS stream expands to, without expanding it.

    A control byte says, low bit first, which of the next eight items are one
    literal byte (1) or a two-byte match (0); a match's length is the low four
    bits of its second byte, plus 3. How much comes out does not depend on what
    comes out, so counting needs no window, and works at any chunk borders.
    """

    def __init__(self) -> None:
        self.size = 0
        self._pending = b""

    def update(self, data: bytes) -> None:
        """Take the next bytes of the stream."""
        data = self._pending + data
        at, size, last = 0, 0, len(data) - 17  # a control byte and eight matches
        while at <= last:
            literals, matches, step = _CONTROLS[data[at]]
            size += literals
            for place in matches:
                size += data[at + place] & 15
            at += step
        self.size += size
        self._pending = data[at:]

    def finish(self, limit: int) -> int:
        """Return the whole length; items that the stream does not hold in full do not count.

        Filler items in the last group, beyond ``limit`` bytes, do not count either.
        """
        data, at, size = self._pending, 0, self.size
        while at < len(data):
            control = data[at]
            at += 1
            for bit in range(8):
                length = 1 if control >> bit & 1 else 2
                if at + length > len(data) or size >= limit:
                    return size
                size += 1 if length == 1 else (data[at + 1] & 15) + 3
                at += length
        return size


def _control(value: int) -> tuple[int, tuple[int, ...], int]:
    """What comes out besides the matches' low four bits, where those are, the group's size."""
    fixed, places, at = 0, [], 1
    for bit in range(8):
        if value >> bit & 1:
            fixed, at = fixed + 1, at + 1
        else:
            places.append(at + 1)
            fixed, at = fixed + 3, at + 2
    return fixed, tuple(places), at


_CONTROLS = tuple(_control(value) for value in range(256))
