"""Which self-checking format a file is in, told by its first bytes and never by its name.

The signatures of gzip (RFC 1952), cabinets (Microsoft's description, quoted elsewhere) and 7z
(libarchive's source) have a source, the others are from memory; tests hold them
against files that independent libraries wrote, where there is one.
"""

from __future__ import annotations

import re
from enum import StrEnum

from mediashelf.formats.packed.catalog_file import looks_like_catalog

HEAD_SIZE = 2048
"""Bytes of a file's beginning that detection wants to see."""


class ContentFormat(StrEnum):
    """Formats with checksums of their own that can be verified."""

    CABINET = "cabinet"
    ZIP = "zip"
    GZIP = "gzip"
    SEVEN_ZIP = "7z"
    RAR = "rar"
    RAR5 = "rar 5"
    PROGRAM = "program"
    COMPRESSED = "compressed file"
    CHECKSUM_LIST = "checksum list"
    CATALOG = "driver catalog"


SIGNATURES = (
    (b"MSCF\0\0\0\0", ContentFormat.CABINET),
    (b"PK\3\4", ContentFormat.ZIP),
    (b"PK\5\6", ContentFormat.ZIP),  # an empty archive is its end record alone
    (b"PK00PK\3\4", ContentFormat.ZIP),  # made to be split, but in one piece
    (b"PK\7\x08PK\3\4", ContentFormat.ZIP),  # the first piece of a split one
    (b"\x1f\x8b\x08", ContentFormat.GZIP),
    (b"7z\xbc\xaf\x27\x1c", ContentFormat.SEVEN_ZIP),
    (b"Rar!\x1a\x07\x00", ContentFormat.RAR),
    (b"Rar!\x1a\x07\x01\x00", ContentFormat.RAR5),
    (b"SZDD\x88\xf0\x27\x33", ContentFormat.COMPRESSED),
    (b"KWAJ\x88\xf0\x27\xd1", ContentFormat.COMPRESSED),
    (b"MZ", ContentFormat.PROGRAM),
)

LZMA_START = re.compile(
    rb"\x5d\0(?:\0[\x01-\x04\x06\x08\x0c\x10\x18\x20\x30\x40\x60\x80\xc0]\0"
    rb"|\0\0[\x01-\x04\x06\x08\x0c\x10\x18\x20\x30\x40]|[\x10-\xc0]\0\0)"
    rb"(?:\xff{8}|.{5}\0{3})\0",
    re.DOTALL,
)
"""How an LZMA file without another format around it begins: the usual properties, a dictionary of
2^n or 3 * 2^n bytes, a size below 2^40 or none, and the first byte of the range coder."""

ARCHIVES = frozenset(
    {
        ContentFormat.CABINET,
        ContentFormat.ZIP,
        ContentFormat.GZIP,
        ContentFormat.SEVEN_ZIP,
        ContentFormat.RAR,
        ContentFormat.RAR5,
    }
)

# Long enough to be no accident inside a program.
_ATTACHED = tuple(
    (signature, name)
    for signature, name in SIGNATURES
    if name in ARCHIVES and len(signature) >= 4 and signature != b"PK\5\6"
)


def detect_format(head: bytes) -> ContentFormat | None:
    """Return the format whose signature the file begins with, or None.

    Cabinet signatures count with their reserved zero bytes. Checksum lists have
    no signature and are not told here.
    """
    for signature, name in SIGNATURES:
        if head.startswith(signature):
            return name
    return ContentFormat.CATALOG if looks_like_catalog(head) else None


def find_attached(data: bytes) -> tuple[ContentFormat, int] | None:
    """Return the first archive whose signature is anywhere in ``data``, and its offset."""
    found = [(data.find(signature), name) for signature, name in _ATTACHED]
    return min(
        ((name, at) for at, name in found if at >= 0), key=lambda pair: pair[1], default=None
    )
