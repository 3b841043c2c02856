"""Encodings of INF texts: marks, UTF-16 without a mark, code pages, bytes that are no text."""

from __future__ import annotations

import codecs

import pytest

from mediashelf.formats.inf.document import parse_inf
from mediashelf.formats.inf.text.encoding import decode_inf

TEXT = (
    '[Version]\r\nSignature=$CHICAGO$\r\nProvider=%Maker%\r\n[Strings]\r\nMaker="Moßgate Köln"\r\n'
)


@pytest.mark.parametrize(
    ("data", "encoding", "has_mark"),
    [
        # "ANSI or UTF-16": general-guidelines-for-inf-files; either byte order:
        # creating-international-inf-files.
        (TEXT.encode("cp1252"), "cp1252", False),
        (codecs.BOM_UTF16_LE + TEXT.encode("utf-16-le"), "utf-16-le", True),
        (codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"), "utf-16-be", True),
        (TEXT.encode("utf-16-le"), "utf-16-le", False),
        (TEXT.encode("utf-16-be"), "utf-16-be", False),
        (codecs.BOM_UTF8 + TEXT.encode(), "utf-8", True),
    ],
)
def test_every_encoding_gives_the_same_text(data: bytes, encoding: str, has_mark: bool) -> None:
    inf = parse_inf(data)
    assert (inf.encoding, inf.has_mark, inf.undecoded) == (encoding, has_mark, 0)
    assert inf.version_value("Provider") == "Moßgate Köln"


@pytest.mark.parametrize("code_page", ["cp1250", "cp1251", "cp1253", "cp932"])
def test_other_code_pages_on_request(code_page: str) -> None:
    name = {"cp1250": "Źródło", "cp1251": "Причал", "cp1253": "Λιμάνι", "cp932": "港ソ表"}[
        code_page
    ]
    data = f'[Version]\nProvider="{name}"\n'.encode(code_page)
    assert parse_inf(data, code_page=code_page).version_value("Provider") == name


def test_a_trail_byte_that_looks_like_a_backslash_is_no_continuation() -> None:
    # The second byte of this character is 5C in code page 932.
    data = "[Strings]\na = 表\nb = 2\n".encode("cp932")
    assert b"\\" in data
    assert parse_inf(data, code_page="cp932").strings == {"a": "表", "b": "2"}


@pytest.mark.parametrize("byte", [0x81, 0x8D, 0x8F, 0x90, 0x9D])
def test_bytes_that_the_code_page_does_not_define_are_counted(byte: int) -> None:
    decoded = decode_inf(b"a = \xe4" + bytes([byte]))
    assert decoded.text == "a = ä\ufffd"
    assert decoded.undecoded == 1


def test_an_odd_last_byte_of_utf_16_is_counted() -> None:
    decoded = decode_inf(codecs.BOM_UTF16_LE + "[a]".encode("utf-16-le") + b"x")
    assert (decoded.text, decoded.undecoded) == ("[a]\ufffd", 1)


def test_every_single_byte_and_no_byte_decode() -> None:
    assert decode_inf(b"").text == ""
    for byte in range(256):
        assert len(decode_inf(bytes([byte])).text) == 1


def test_an_unknown_code_page_is_the_callers_mistake() -> None:
    with pytest.raises(LookupError):
        decode_inf(b"x", code_page="cp0")


@pytest.mark.parametrize("codec", ["punycode", "idna", "undefined", "utf-7"])
def test_a_codec_that_is_no_code_page_does_not_raise_either(codec: str) -> None:
    decoded = decode_inf(bytes(range(1, 256)) * 3, code_page=codec)
    assert "A" in decoded.text
