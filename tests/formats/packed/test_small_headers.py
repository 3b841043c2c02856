"""Headers of gzip members and of NAME.EX_ files: each optional field by itself, and all of them."""

from __future__ import annotations

import gzip
import struct
import zlib
from io import BytesIO

import pytest

from mediashelf.errors import FormatError
from mediashelf.formats.packed.compressed import (
    METHOD_LZSS,
    METHOD_MSZIP,
    METHOD_STORED,
    parse_compressed_header,
)
from mediashelf.formats.packed.gzip_member import parse_gzip_header

# RFC 1952, 2.3: ID1, ID2, CM, FLG, MTIME (4), XFL, OS; then the optional fields in this order.
FIXED = b"\x1f\x8b\x08%c" + bytes(4) + b"\x00\x03"
EXTRA, NAME, COMMENT = b"\x05\x00abcde", b"name\0", b"a comment\0"


@pytest.mark.parametrize(
    ("flags", "fields"),
    [
        (0x00, b""),
        (0x01, b""),  # FTEXT says something of the data only
        (0x04, EXTRA),
        (0x08, NAME),
        (0x10, COMMENT),
        (0x1D, EXTRA + NAME + COMMENT),
    ],
)
@pytest.mark.parametrize("with_crc", [False, True], ids=["plain", "crc"])
def test_the_end_of_a_gzip_header(flags: int, fields: bytes, with_crc: bool) -> None:
    header = FIXED % (flags | 2 * with_crc) + fields
    if with_crc:  # FHCRC: the two low bytes of the CRC-32 of all bytes before it
        header += struct.pack("<H", zlib.crc32(header) & 0xFFFF)
    assert parse_gzip_header(header + b"data", 0) == len(header)
    assert parse_gzip_header(header, 7) == len(header)
    with pytest.raises(FormatError):
        parse_gzip_header(header[:-1], 0)
    if with_crc:
        with pytest.raises(FormatError, match="header CRC"):
            parse_gzip_header(header[:-1] + bytes([header[-1] ^ 1]), 0)


def test_the_end_is_that_of_another_writer() -> None:
    packed = BytesIO()
    with gzip.GzipFile("drivers.tar", "wb", fileobj=packed, mtime=0) as file:
        file.write(b"x" * 100)
    data = packed.getvalue()
    end = parse_gzip_header(data, 0)
    assert zlib.decompress(data[end:-8], wbits=-15) == b"x" * 100


@pytest.mark.parametrize(
    ("place", "value", "what"),
    [(0, 0x1E, "identification"), (2, 7, "method"), (3, 0x20, "flags"), (3, 0x80, "flags")],
)
def test_a_gzip_header_that_is_none(place: int, value: int, what: str) -> None:
    header = bytearray(FIXED % 0)
    header[place] = value
    with pytest.raises(FormatError, match=what) as error:
        parse_gzip_header(bytes(header), 100)
    assert str(error.value).startswith(hex(100 + place))


# The form whose signature begins with KWAJ, from memory.
KWAJ = b"KWAJ\x88\xf0\x27\xd1"


def kwaj(flags: int, fields: bytes, method: int = METHOD_MSZIP, offset: int | None = None) -> bytes:
    start = 14 + len(fields) if offset is None else offset
    return KWAJ + struct.pack("<HHH", method, start, flags) + fields


@pytest.mark.parametrize(
    ("flags", "fields", "size"),
    [
        (0, b"", None),
        (1, struct.pack("<I", 5000), 5000),
        (2, b"??", None),
        (4, b"\x03\x00abc", None),
        (8, b"LARKSPUR\0", None),
        (16, b"SYS\0", None),
        (32, b"\x02\x00hi", None),
        (63, b"\x10\x27\0\0??\x01\x00aQ\0S\0\x00\x00", 10_000),
    ],
)
def test_the_optional_fields_of_a_compressed_file(
    flags: int, fields: bytes, size: int | None
) -> None:
    header = parse_compressed_header(kwaj(flags, fields))
    assert (header.method, header.size, header.data_offset) == (
        METHOD_MSZIP,
        size,
        14 + len(fields),
    )
    # Data that would begin inside the fields, or after the end of what there is.
    with pytest.raises(FormatError, match="offset of the data"):
        parse_compressed_header(kwaj(flags, fields, offset=13 + len(fields)))


@pytest.mark.parametrize(("flag", "text"), [(8, b"LARKSPURS\0"), (16, b"SYSX\0")])
def test_a_name_that_is_too_long_is_refused(flag: int, text: bytes) -> None:
    with pytest.raises(FormatError):
        parse_compressed_header(kwaj(flag, text))


def test_methods_and_the_other_form() -> None:
    assert parse_compressed_header(kwaj(0, b"", METHOD_STORED)).method == METHOD_STORED
    with pytest.raises(FormatError, match="method"):
        parse_compressed_header(kwaj(0, b"", METHOD_MSZIP + 1))
    other = b"SZDD\x88\xf0\x27\x33A_" + struct.pack("<I", 123)
    header = parse_compressed_header(other)
    assert (header.method, header.size, header.data_offset) == (METHOD_LZSS, 123, 14)
    for size in range(14):
        with pytest.raises(FormatError):
            parse_compressed_header(other[:size] if size >= 4 else KWAJ[:size])
