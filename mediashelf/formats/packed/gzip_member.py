"""The header of a gzip member (RFC 1952, section 2.3)."""

from __future__ import annotations

import zlib

from mediashelf.errors import FormatError

SOURCE = "RFC 1952; agrees with Python's gzip"

_FIXED_SIZE = 10
TRAILER_SIZE = 8
MAX_HEADER_SIZE = 1 << 17
"""Bytes looked at for a header; its extra field alone may have 65,535."""

_DEFLATE = 8
_HEADER_CRC, _EXTRA, _NAME, _COMMENT = 2, 4, 8, 16
_RESERVED = 0xE0


def parse_gzip_header(data: bytes, at: int) -> int:
    """Return the length of the header of the member at offset ``at`` of its file.

    Raises :class:`FormatError` for a header that is cut, of another method, with
    reserved flags, or that does not match its own CRC where it has one.
    """
    if len(data) < _FIXED_SIZE or data[:2] != b"\x1f\x8b":
        raise FormatError("gzip identification", at=at, found=data[:2], expected="b'\\x1f\\x8b'")
    method, flags = data[2], data[3]
    if method != _DEFLATE:
        raise FormatError("compression method", at=at + 2, found=method, expected="8 (deflate)")
    if flags & _RESERVED:
        raise FormatError("flags", at=at + 3, found=flags, expected="reserved bits zero")
    end = _FIXED_SIZE
    if flags & _EXTRA:
        end += 2 + int.from_bytes(data[end : end + 2], "little")
    for flag, what in ((_NAME, "file name"), (_COMMENT, "comment")):
        if flags & flag:
            zero = data.find(b"\0", end)
            if zero < 0:
                raise FormatError(what, at=at + end, found="no end", expected="a zero byte")
            end = zero + 1
    if flags & _HEADER_CRC:
        found = zlib.crc32(data[:end]) & 0xFFFF
        recorded = int.from_bytes(data[end : end + 2], "little")
        if found != recorded:
            raise FormatError("header CRC", at=at + end, found=recorded, expected=str(found))
        end += 2
    if end > len(data):
        raise FormatError("length of the header", at=at, found=len(data), expected=f"{end:,} bytes")
    return end
