"""Numbers and texts as the records of a disc hold them (ECMA-119 7 and 8.4)."""

from __future__ import annotations


def both_16(number: int) -> bytes:
    """Return a 16-bit number in both byte orders, low byte first (ECMA-119 7.2.3)."""
    return number.to_bytes(2, "little") + number.to_bytes(2, "big")


def both_32(number: int) -> bytes:
    """Return a 32-bit number in both byte orders, low byte first (ECMA-119 7.3.3)."""
    return number.to_bytes(4, "little") + number.to_bytes(4, "big")


def narrow_text(text: str, size: int) -> bytes:
    """Return text in ``size`` bytes, filled up with spaces (ECMA-119 7.4.3.2)."""
    return text.encode("ascii").ljust(size, b" ")


def wide_text(text: str, size: int) -> bytes:
    """Return text in big-endian UCS-2, filled up with spaces; an odd last byte is zero (Joliet)."""
    return text.ljust(size // 2).encode("utf-16-be").ljust(size, b"\0")
