"""Headers of 7z, RAR and LHA archives: only what is needed to verify checksums and ends.

All numbers are little-endian; RAR 5 also has numbers of seven bits a byte, low
bits first. The signature of 7z, and that a zero byte ends an LHA archive, are in libarchive's
source; layouts are from memory, and libarchive reads the same.
"""

from __future__ import annotations

import re
import struct
import zlib

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View

SOURCE = "archive header formats, from memory; agree with libarchive"

SEVEN_ZIP_START_SIZE = 32
MAX_RAR_BLOCK_SIZE = 0xFFFF
RAR_SIGNATURE_SIZE, RAR5_SIGNATURE_SIZE = 7, 8
_MAX_RAR5_HEADER_SIZE = 2 << 20

LHA_METHOD = re.compile(rb"-(?:lh[0-7d]|lz[4s5])-")
LHA_HEADER_SIZE = 2 + 255
_LEAST_LHA_HEADER = 22

_SEVEN_ZIP = struct.Struct("<6s2xIQQI")
_RAR_BLOCK = struct.Struct("<HBHH")
_RAR_FILE = struct.Struct("<IIBIIBBHI")

RAR_MAIN, RAR_FILE, RAR_COMMENT, RAR_NEW_SUBBLOCK, RAR_END = 0x73, 0x74, 0x75, 0x7A, 0x7B
RAR5_MAIN, RAR5_FILE, RAR5_SERVICE, RAR5_ENCRYPTION, RAR5_END = 1, 2, 3, 4, 5

_RAR_HEADERS_ENCRYPTED, _RAR_COMMENT_INSIDE, _RAR_LARGE = 0x0080, 0x0002, 0x0100
_RAR_FILE_COMMENT, _RAR_PASSWORD, _RAR_SPLIT, _RAR_ADDED = 0x0008, 0x0004, 0x0003, 0x8000
_RAR5_EXTRA, _RAR5_DATA, _RAR5_SPLIT = 0x01, 0x02, 0x18
_RAR5_TIME, _RAR5_CRC, _RAR5_SPLIT_BEFORE = 0x02, 0x04, 0x08
_RAR_STORED = 0x30
_RAR_OLD_BLOCKS = range(0x76, 0x7A)


class SevenZipStart(Struct, frozen=True):
    """The start header: its CRC as recorded and computed, and where the next header is."""

    recorded_crc: int
    computed_crc: int
    next_offset: int
    next_size: int
    next_crc: int


class RarBlock(Struct, frozen=True):
    """One block of a RAR archive, old or new form.

    ``computed_crc`` is None where it is not known what the CRC covers.
    ``data_size`` bytes follow the header. ``data_crc`` is the CRC-32 of a
    file's data when these are stored as they are, else None. ``hides_rest`` is
    True for a header after which all headers are encrypted. Of RAR 5, ``content_crc`` is the
    CRC-32 recorded of a file, of its piece here where another part follows; ``is_rest`` is True
    for a file that begins in the part before.
    """

    kind: int
    header_size: int
    recorded_crc: int
    computed_crc: int | None
    data_size: int
    name: str = ""
    data_crc: int | None = None
    hides_rest: bool = False
    content_crc: int | None = None
    is_rest: bool = False


def parse_seven_zip_start(data: bytes) -> SevenZipStart:
    """Return the start header from a file's first 32 bytes; raises :class:`FormatError`."""
    if len(data) < SEVEN_ZIP_START_SIZE:
        raise FormatError("length of the start header", at=0, found=len(data), expected="32 bytes")
    _, recorded, offset, size, next_crc = _SEVEN_ZIP.unpack(data[:SEVEN_ZIP_START_SIZE])
    computed = zlib.crc32(data[12:SEVEN_ZIP_START_SIZE])
    return SevenZipStart(recorded, computed, SEVEN_ZIP_START_SIZE + offset, size, next_crc)


def parse_rar_block(data: bytes, at: int) -> RarBlock:
    """Return the block of the old form (1.5 to 4) at offset ``at``; raises :class:`FormatError`.

    ``data`` holds up to :data:`MAX_RAR_BLOCK_SIZE` bytes from there.
    """
    if len(data) < _RAR_BLOCK.size:
        raise FormatError("length of a block header", at=at, found=len(data), expected="7 bytes")
    recorded, kind, flags, size = _RAR_BLOCK.unpack_from(data)
    if size < _RAR_BLOCK.size or size > len(data):
        raise FormatError(
            "size of a block header", at=at + 5, found=size, expected=f"7 to {len(data)}"
        )
    header = data[:size]
    covered: int | None = size
    data_size, name, data_crc = 0, "", None
    if kind in (RAR_FILE, RAR_NEW_SUBBLOCK):
        covered, data_size, name, data_crc = _parse_rar_file(header, flags, at)
    elif flags & _RAR_ADDED and size >= 11:
        data_size = int.from_bytes(header[7:11], "little")
    if (kind == RAR_MAIN and flags & _RAR_COMMENT_INSIDE) or kind == RAR_COMMENT:
        covered = 13  # the comment has a CRC of its own
    elif kind in _RAR_OLD_BLOCKS:
        covered = None
    computed = None if covered is None else zlib.crc32(header[2:covered]) & 0xFFFF
    hides_rest = kind == RAR_MAIN and bool(flags & _RAR_HEADERS_ENCRYPTED)
    return RarBlock(kind, size, recorded, computed, data_size, name, data_crc, hides_rest)


def _parse_rar_file(header: bytes, flags: int, at: int) -> tuple[int, int, str, int | None]:
    """Return how many bytes the CRC covers, the data's size, the name and the data's CRC."""
    start = _RAR_BLOCK.size
    fixed = start + _RAR_FILE.size
    if len(header) < fixed:
        raise FormatError(
            "size of a file header", at=at + 5, found=len(header), expected=f"at least {fixed}"
        )
    packed, _, _, crc, _, _, method, name_size, _ = _RAR_FILE.unpack_from(header, start)
    if flags & _RAR_LARGE:
        packed |= int.from_bytes(header[fixed : fixed + 4], "little") << 32
        fixed += 8
    name = header[fixed : fixed + name_size].split(b"\0")[0].decode("cp437")
    covered = fixed + name_size if flags & _RAR_FILE_COMMENT else len(header)
    is_plain = method == _RAR_STORED and not flags & (_RAR_PASSWORD | _RAR_SPLIT)
    return covered, packed, name, crc if is_plain else None


class Numbers:
    """Reads the numbers of a RAR 5 header one after the other."""

    def __init__(self, data: bytes, base: int, at: int = 0) -> None:
        self._data, self._base, self.at = data, base, at

    def next(self) -> int:
        """Return the next number of seven bits a byte."""
        value = 0
        for shift in range(0, 70, 7):
            if self.at >= len(self._data):
                break
            byte = self._data[self.at]
            self.at += 1
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
        raise FormatError(
            "number", at=self._base + self.at, found="no end", expected="at most 10 bytes"
        )

    def take(self, size: int) -> bytes:
        """Return the next ``size`` bytes as they are, or what there is of them."""
        data = self._data[self.at : self.at + size]
        self.at += size
        return data


def rar5_header_size(data: bytes, at: int) -> int:
    """Return the length of the header that begins with ``data``; raises :class:`FormatError`."""
    numbers = Numbers(data[:16], at, 4)
    size = numbers.next() + numbers.at
    if size > _MAX_RAR5_HEADER_SIZE:
        raise FormatError("size of a header", at=at + 4, found=size, expected="at most 2 MiB")
    return size


def parse_rar5_block(data: bytes, at: int) -> RarBlock:
    """Return the block of the new form at offset ``at``; ``data`` is its whole header.

    Raises :class:`FormatError`.
    """
    size = rar5_header_size(data, at)
    if len(data) < size:
        raise FormatError("length of a header", at=at, found=len(data), expected=f"{size:,} bytes")
    recorded, computed = int.from_bytes(data[:4], "little"), zlib.crc32(data[4:size])
    numbers = Numbers(data[:size], at, 4)
    numbers.next()
    kind, flags = numbers.next(), numbers.next()
    extra_size = numbers.next() if flags & _RAR5_EXTRA else 0
    data_size = numbers.next() if flags & _RAR5_DATA else 0
    name, crc, data_crc = "", None, None
    if kind in (RAR5_FILE, RAR5_SERVICE):
        file_flags = numbers.next()
        unpacked, _attributes = numbers.next(), numbers.next()
        if file_flags & _RAR5_TIME:
            numbers.take(4)
        crc = int.from_bytes(numbers.take(4), "little") if file_flags & _RAR5_CRC else None
        method, _system = numbers.next(), numbers.next()
        name = numbers.take(numbers.next()).decode("utf-8", "replace")
        is_stored = not method >> 7 & 7 and unpacked == data_size
        # An extra area may say that the data are encrypted: then nothing can be said.
        if is_stored and not flags & _RAR5_SPLIT and not _is_encrypted(data[:size], extra_size, at):
            data_crc = crc
    hides_rest, is_rest = kind == RAR5_ENCRYPTION, bool(flags & _RAR5_SPLIT_BEFORE)
    return RarBlock(
        kind, size, recorded, computed, data_size, name, data_crc, hides_rest, crc, is_rest
    )


def _is_encrypted(header: bytes, extra_size: int, at: int) -> bool:
    """Tell whether the extra area at the header's end has an encryption record (type 1)."""
    numbers = Numbers(header, at, max(0, len(header) - extra_size))
    while numbers.at < len(header):
        end = numbers.next() + numbers.at
        if numbers.next() == 1:
            return True
        numbers.at = max(end, numbers.at)
    return False


def is_lha_header(data: bytes) -> bool:
    """Return whether bytes begin as a member of an LHA archive does (layout from memory).

    Levels 0 and 1 have a length and a sum of that many bytes in front; level 2 has a length of
    two bytes.
    """
    if len(data) < _LEAST_LHA_HEADER or not LHA_METHOD.match(data, 2):
        return False
    level, length = data[20], data[0]
    if level in (0, 1):
        if not _LEAST_LHA_HEADER - 2 <= length <= len(data) - 2:
            return False
        return sum(data[2 : 2 + length]) & 0xFF == data[1]
    return level == 2 and int.from_bytes(data[:2], "little") >= _LEAST_LHA_HEADER


def find_lha_end(view: View) -> int:
    """Return where the last member of an LHA archive ends, which may be past the end of the bytes.

    A zero byte is expected there. Levels 0 and 1 have a length of one byte in front, which counts
    from the third byte on; level 2 has one of two bytes that counts all.
    """
    at = 0
    while is_lha_header(header := view.read(at, LHA_HEADER_SIZE)):
        packed = int.from_bytes(header[7:11], "little")
        size = int.from_bytes(header[:2], "little") if header[20] == 2 else 2 + header[0]
        at += size + packed
    return at
