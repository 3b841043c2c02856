"""Checksum lists as values: one digest and one file name a line, in the four forms in use.

::

    plain     <digest> <flag><name>        flag: a space (text) or * (binary)
    tagged    ALGORITHM (<name>) = <digest>
    reversed  <digest> <name>              no flag
    sfv       <name> <CRC-32>              lines that start with ; are comments

The first three, and escaped names, follow the GNU coreutils manual ("Untagged
output format", ``--tag``, ``--check``); the xxHash program writes the same forms.
Simple file verification (sfv) has no published specification: common practice.
Algorithms have the names of :mod:`mediashelf.integrity.fixity.digests`. Nothing here
opens a file or computes a digest; :mod:`mediashelf.formats.lists.parse` reads.
"""

from __future__ import annotations

import re
from enum import StrEnum

from msgspec import Struct


class ListForm(StrEnum):
    """How the lines of a list are built."""

    PLAIN = "plain"
    TAGGED = "tagged"
    REVERSED = "reversed"
    SFV = "sfv"


class ListLine(Struct, frozen=True):
    """One file of a list.

    ``name`` is unescaped and otherwise as written; bytes that are not UTF-8 are
    kept as surrogate escapes. ``digest`` is lower-case hexadecimal, high byte
    first. ``algorithms`` are the algorithms that it can be, the likeliest
    first. ``line`` counts from 1.
    """

    name: str
    digest: str
    algorithms: tuple[str, ...]
    line: int


class ListProblem(Struct, frozen=True):
    """A line that cannot be understood; ``line`` counts from 1."""

    line: int
    found: str
    expected: str


class ChecksumList(Struct, frozen=True):
    """A parsed list; ``form`` is None when no line could be understood."""

    form: ListForm | None
    lines: tuple[ListLine, ...]
    problems: tuple[ListProblem, ...]


TAGS = {
    "md5": "MD5",
    "sha1": "SHA1",
    "sha256": "SHA256",
    "sha512": "SHA512",
    "b2": "BLAKE2b",
    "xxh32": "XXH32",
    "xxh64": "XXH64",
    "xxh3_64": "XXH3",
    "xxh3_128": "XXH128",
}
"""Algorithm → tag, as ``md5sum`` and its family, ``b2sum`` and ``xxhsum`` write it."""

BY_LENGTH = {
    8: ("xxh32", "crc32"),
    16: ("xxh64", "xxh3_64"),
    32: ("md5", "xxh3_128"),
    40: ("sha1",),
    64: ("sha256",),
    128: ("sha512", "b2"),
}
"""Hexadecimal digits → what a digest without a tag can be, the likeliest first."""

LENGTHS = {name: length for length, names in BY_LENGTH.items() for name in names}


def format_checksum_line(name: str, digest: str, algorithm: str, form: ListForm) -> str:
    """Return one line, newline included; the name is escaped where the form allows it.

    Raises ``ValueError`` where the form cannot hold the name or the algorithm:
    sfv takes crc32 and no line breaks; the other forms take every other
    algorithm, but xxh3_64 only tagged (its length says xxh64).
    """
    if (form is ListForm.SFV) != (algorithm == "crc32"):
        raise ValueError(f"the form {form} does not hold {algorithm} digests")
    if form is ListForm.SFV:
        if _is_beyond_sfv(name):
            raise ValueError("the form sfv cannot hold this name; use another form")
        return f"{name} {digest.upper()}\n"
    escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    mark = "\\" if escaped != name else ""
    if form is ListForm.TAGGED:
        return f"{mark}{TAGS[algorithm]} ({escaped}) = {digest}\n"
    if algorithm == "xxh3_64":
        raise ValueError("only a tag tells xxh3_64 digests from xxh64; use the form tagged")
    if form is ListForm.REVERSED and name.startswith((" ", "*")):
        raise ValueError("the form reversed cannot hold a name that starts with a space or *")
    flag = " " if form is ListForm.PLAIN else ""
    return f"{mark}{digest} {flag}{escaped}\n"


def _is_beyond_sfv(name: str) -> bool:
    return (
        re.search(r"[\r\n]", name) is not None
        or name.startswith(("#", ";", "\ufeff"))
        or name != name.strip(" \t")
    )
