"""From the bytes of an INF to its text: which encoding, and what did not decode.

The documentation of the format allows ANSI and UTF-16 (General Guidelines for INF Files,
creating-international-inf-files; it differs over byte order, so both are read here).
ANSI says nothing about the code page: the reader's system decides it, so the caller may.
"""

from __future__ import annotations

import codecs
import re
from typing import NamedTuple

DEFAULT_CODE_PAGE = "cp1252"

_SAMPLE_SIZE = 4096
_LIKE_ASCII = re.compile("cp125[0-8]")  # their first half; decoded in a tenth of the time
_SURROGATE = re.compile("[\udc80-\udcff]")


class InfText(NamedTuple):
    """Decoded text with how it was found.

    ``encoding`` is ``utf-8``, ``utf-16-le``, ``utf-16-be`` or the code page's
    name. ``undecoded`` counts the bytes or units that are not valid there;
    each is U+FFFD in ``text``. ``is_ascii`` is True when no byte needed a choice.
    """

    text: str
    encoding: str
    has_mark: bool
    undecoded: int
    is_ascii: bool


def is_utf_16(encoding: str) -> bool:
    """Whether this is UTF-16, of either byte order."""
    return encoding.startswith("utf-16")


def decode_inf(data: bytes, *, code_page: str = DEFAULT_CODE_PAGE) -> InfText:
    """Return the text of an INF; never raises for the bytes, whatever they are.

    A byte order mark decides. Without one, text in which every second byte is
    mostly zero is UTF-16, and everything else is in ``code_page`` (a Python
    codec name; an unknown one raises ``LookupError``).
    """
    if data.startswith(codecs.BOM_UTF8):
        return _decoded(data[3:], "utf-8", has_mark=True)
    if data.startswith(codecs.BOM_UTF16_LE):
        return _decoded(data[2:], "utf-16-le", has_mark=True)
    if data.startswith(codecs.BOM_UTF16_BE):
        return _decoded(data[2:], "utf-16-be", has_mark=True)
    return _decoded(data, _guess_encoding(data) or code_page, has_mark=False)


def _guess_encoding(data: bytes) -> str | None:
    sample = data[:_SAMPLE_SIZE]
    pairs = len(sample) // 2
    if not pairs or 0 not in sample:
        return None
    zeros_first, zeros_second = sample[0::2].count(0), sample[1::2].count(0)
    # An INF is mostly ASCII even when its strings are not.
    if zeros_second * 2 > pairs and zeros_first * 10 < pairs:
        return "utf-16-le"
    if zeros_first * 2 > pairs and zeros_second * 10 < pairs:
        return "utf-16-be"
    return None


def _decoded(data: bytes, encoding: str, *, has_mark: bool) -> InfText:
    undecoded = 0
    if data.isascii() and (encoding == "utf-8" or _LIKE_ASCII.fullmatch(encoding)):
        return InfText(data.decode("ascii"), encoding, has_mark, 0, is_ascii=True)
    if is_utf_16(encoding):
        text = data.decode(encoding, "replace")
        undecoded = text.count("\ufffd")
    else:
        try:
            text = data.decode(encoding, "surrogateescape")
        except UnicodeError:  # a codec of Python's that is not a code page
            text = data.decode("ascii", "surrogateescape")
        if not text.isascii():
            text, undecoded = _SURROGATE.subn("\ufffd", text)
    return InfText(text, encoding, has_mark, undecoded, text.isascii())
