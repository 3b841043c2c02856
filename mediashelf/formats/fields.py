"""Fields that every structure of a disc is made of: numbers, text, dates, and the view they are in.

Clause numbers are those of ECMA-119, 2nd edition.
"""

from __future__ import annotations

import struct
from datetime import datetime, timedelta, timezone
from functools import lru_cache
from typing import NamedTuple, Protocol

from mediashelf.formats.volume import SECTOR_SIZE

D_CHARACTERS = frozenset(b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ_")  # 7.4.1
A_CHARACTERS = frozenset(b" !\"%&'()*+,-./:;<=>?") | D_CHARACTERS  # 7.4.1
SEPARATORS = frozenset(b".;")  # 7.4.3

_BOTH_16 = (struct.Struct("<H"), struct.Struct(">2xH"))
_BOTH_32 = (struct.Struct("<I"), struct.Struct(">4xI"))


class View(Protocol):
    """A disc's user data as one run of bytes: 2048 bytes a sector, sector 0 first."""

    @property
    def size(self) -> int:
        """How many bytes there are."""
        ...

    def read(self, offset: int, size: int) -> bytes:
        """Return up to ``size`` bytes from ``offset``; fewer only at the end.

        Never raises for damage; an ``OSError`` of the medium is passed on.
        """
        ...


def read_sector(view: View, lba: int, size: int = SECTOR_SIZE) -> bytes:
    """Return one whole sector or block, or nothing where the view has none or a part of it."""
    data = view.read(lba * size, size)
    return data if len(data) == size else b""


class BothOrders(NamedTuple):
    """A number recorded in both byte orders, with both copies kept (7.2.3 and 7.3.3)."""

    little: int
    big: int

    @property
    def agrees(self) -> bool:
        """Whether the copies are equal, as they must be."""
        return self.little == self.big

    @property
    def value(self) -> int:
        """The copy with the least significant byte first, which most readers use."""
        return self.little

    @property
    def is_half_recorded(self) -> bool:
        """Whether the copy with the most significant byte first was left zero."""
        return bool(self.little) and not self.big

    def likely(self, limit: int) -> int:
        """The copy to work with when they disagree: the first that is not above ``limit``."""
        return self.big if self.little > limit >= self.big else self.little

    def nearest(self, expected: int) -> int:
        """The copy to work with when they disagree: the one nearer to what other facts say."""
        return min(filter(None, self), key=lambda copy: abs(copy - expected), default=0)


def parse_both_16(data: bytes, offset: int = 0) -> BothOrders:
    """Return the 16-bit number at ``offset``, four bytes in both orders (7.2.3)."""
    little, big = _BOTH_16
    return BothOrders(little.unpack_from(data, offset)[0], big.unpack_from(data, offset)[0])


def parse_both_32(data: bytes, offset: int = 0) -> BothOrders:
    """Return the 32-bit number at ``offset``, eight bytes in both orders (7.3.3)."""
    little, big = _BOTH_32
    return BothOrders(little.unpack_from(data, offset)[0], big.unpack_from(data, offset)[0])


def is_zero(data: bytes) -> bool:
    """Tell whether all bytes are zero; to strip them takes twenty times as long."""
    return data == bytes(len(data))


def parse_text(data: bytes) -> str:
    """Return a descriptor's text field without its filler (spaces and, in practice, zero bytes).

    Bytes outside ASCII are read as Latin-1, which loses nothing; what they were
    meant to be is not recorded.
    """
    return data.decode("latin-1").rstrip(" \0")


def parse_wide_text(data: bytes) -> str:
    """Return a Joliet text field (16-bit characters, high byte first) without its filler."""
    return decode_wide(data[: len(data) & ~1]).rstrip(" \0")


def decode_wide(data: bytes) -> str:
    """Decode 16-bit characters; invalid ones become U+FFFD."""
    return data.decode("utf-16-be", errors="replace")


class DescriptorDate(NamedTuple):
    """A 17-byte date: ISO 8601 text, empty when not given; ``is_valid`` is False for nonsense."""

    text: str
    is_valid: bool


@lru_cache(maxsize=64)  # a disc says most dates several times
def parse_descriptor_date(data: bytes) -> DescriptorDate:
    """Return the date of a 17-byte field: ``YYYYMMDDHHMMSScc`` and an offset (8.4.26.1).

    The offset from UTC is signed and in units of 15 minutes. Sixteen zeros as
    digits, as zero bytes, or as spaces mean "not given".
    """
    digits, offset_byte = data[:16], data[16]
    if digits in (b"0" * 16, bytes(16), b" " * 16):
        return DescriptorDate("", True)
    if not digits.isdigit():
        return DescriptorDate("", False)
    quarter_hours = offset_byte - 256 if offset_byte > 127 else offset_byte
    numbers = [int(digits[:4]), *(int(digits[at : at + 2]) for at in range(4, 16, 2))]
    try:
        zone = timezone(timedelta(minutes=15 * quarter_hours))
        year, month, day, hour, minute, second, hundredths = numbers
        moment = datetime(year, month, day, hour, minute, second, hundredths * 10_000, tzinfo=zone)
    except ValueError:
        return DescriptorDate("", False)
    valid_offset = -48 <= quarter_hours <= 52  # 9.1.5 and 8.4.26.1 share this range
    return DescriptorDate(moment.isoformat(timespec="seconds"), valid_offset)


_MOST_PADDING = 300 * SECTOR_SIZE  # common practice of readers and writers is 150 sectors


def end_of_recorded(view: View, block_size: int) -> int:
    """Return the block after the last one, without zeros that somebody added to the image."""
    end = view.size // block_size
    for block in range(end - 1, max(end - 1 - _MOST_PADDING // block_size, 0), -1):
        if not is_zero(view.read(block * block_size, block_size)):
            return block + 1
    return end
