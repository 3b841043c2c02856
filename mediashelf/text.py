"""Text that is safe to show: names from discs and disks are hostile."""

from __future__ import annotations

import unicodedata

_UNSAFE_CATEGORIES = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def printable(text: str) -> str:
    r"""Return ``text`` with every character that could steer a terminal made visible.

    Control and format characters (which include escape sequences and
    direction overrides), line separators and lone surrogates become ``\x1b``
    or ``\u202e`` style escapes. Newlines and tabs are escaped too.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        _escape(character) if unicodedata.category(character) in _UNSAFE_CATEGORIES else character
        for character in text
    )


def _escape(character: str) -> str:
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def size_text(size: int) -> str:
    """Return a byte count as people read it, in powers of 1024: ``1.4 MiB``."""
    if size < 1024:
        return f"{size} bytes" if size != 1 else "1 byte"
    value = float(size)
    for unit in ("KiB", "MiB", "GiB"):
        value /= 1024
        if value < 1023.95:
            return f"{value:.1f} {unit}"
    return f"{value / 1024:.1f} TiB"


def count_text(count: int, noun: str, plural: str = "") -> str:
    """Return ``1 file`` or ``1,204 files``."""
    return f"{count:,} {noun if count == 1 else plural or noun + 's'}"
