"""What a tree holds: members with safe names, and why one cannot be read."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import NamedTuple

from mediashelf.findings import Finding, Severity

Parts = tuple[str, ...]
"""The names of a path below the root of a tree."""

MAX_LEVELS = 100
"""Parts of a member's name that are followed; paths of old systems have far fewer."""

NEEDS_LIBRARY = "needs libarchive"
"""Words of the error for an archive that could be opened if the library were here."""

_DAMAGED = (
    r"(?i)cut short|damaged|truncat|ended early|ends before|image ends|checksum|\bCRC\b|is lost"
)
"""Words of reasons that say: this copy is not whole; no program can unpack it."""

_GET_AGAIN = "Get it again, or another copy of it"
_ALL_PARTS = "Put all parts into one folder"
_UNPACK = "Unpack it on a system that can, and use the folder"
_ABSOLUTE = r"/|[A-Za-z]:"
_PART = r"[^/\\:\0.][^/\\:\0]*"
_PLAIN_NAME = re.compile(_PART)
_PLAIN = re.compile(f"{_PART}(?:/{_PART})*")  # a name, or path, of which nothing is to be asked


class MemberKind(StrEnum):
    """What a member is."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    SPECIAL = "special file"


class Unreadable(NamedTuple):
    """Why the bytes of a member cannot be had: the rule of a finding, and a reason in words."""

    rule: str
    reason: str


class TreeMember(NamedTuple):
    """One file or folder of a tree.

    ``parts`` are its names below the root: none is empty, ``.``, ``..`` or holds a
    slash or a zero character; other characters are as recorded and must be made safe before
    they are shown or used as a name on the host. ``size`` is in bytes, 0 for a folder.
    ``modified`` counts seconds since 1970, UTC, None where no valid date is recorded.
    ``unreadable`` is None for what can be read. ``handle`` belongs to the tree.
    """

    parts: Parts
    size: int
    modified: int | None
    kind: MemberKind = MemberKind.FILE
    unreadable: Unreadable | None = None
    handle: object = None

    @property
    def path(self) -> str:
        """The path below the root, parts joined by ``/``."""
        return "/".join(self.parts)

    @property
    def name(self) -> str:
        """The last part of the path."""
        return self.parts[-1]

    @property
    def is_folder(self) -> bool:
        """Whether other members may be in it."""
        return self.kind is MemberKind.FOLDER

    @property
    def is_file(self) -> bool:
        """Whether it has bytes of its own; :attr:`unreadable` tells whether they can be had."""
        return self.kind is MemberKind.FILE


class Bounds(NamedTuple):
    """How far hostile wrappings are followed (own limits, generous for real ones).

    ``depth`` counts wrappings inside wrappings. One may expand to ``least_bytes``, or to
    ``ratio`` times its own size if that is more.
    """

    depth: int = 4
    members: int = 1_000_000
    least_bytes: int = 256 << 20
    ratio: int = 64

    def allowance(self, size: int) -> int:
        """Return the bytes that a wrapping of ``size`` bytes may expand to in all."""
        return max(self.least_bytes, self.ratio * size)


def is_plain_name(name: str) -> bool:
    """Whether a single name is safe as it is."""
    return _PLAIN_NAME.fullmatch(name) is not None


def plain_parts(path: str) -> Parts | None:
    """Return the parts of a path of names that are safe as they are; empty for the root."""
    if not path:
        return ()
    return tuple(path.split("/")) if _PLAIN.fullmatch(path) else None


def split_name(name: str) -> Parts:
    """Return the parts of a member's recorded name; ``\\`` parts as well as ``/``.

    Raises ``ValueError``, with the reason in words, for a name that leads out of its
    folder, is absolute, or nests too deep.
    """
    if _PLAIN.fullmatch(name):
        parts = tuple(name.split("/"))
        if len(parts) <= MAX_LEVELS:
            return parts
    name = name.replace("\\", "/")
    parts = tuple(part for part in name.split("/") if part not in ("", "."))
    if re.match(_ABSOLUTE, name) or ".." in parts or "\0" in name:
        raise ValueError("its name leads out of its folder")
    if len(parts) > MAX_LEVELS:
        raise ValueError(f"it is {len(parts):,} levels deep")
    return parts


def unsafe_name(where: str, reason: str) -> Finding:
    """Return the finding for a member whose name :func:`split_name` refuses."""
    return Finding(
        "member-name-unsafe",
        Severity.ERROR,
        where[:500],
        f"{reason}, so it is left out",
        "unpack it elsewhere and check it",
    )


END_UNCLEAR = "end-unclear"
"""The rule of a finding that an archive may go on, or may once have gone on, where it ends."""


def end_unclear(where: str, fact: str, severity: Severity = Severity.WARNING) -> Finding:
    """Return the finding for an archive whose end is not the one of its format."""
    remedy = "compare it with another copy, or get it again: files may be missing at its end"
    return Finding(END_UNCLEAR, severity, where[:500], fact, remedy)


def not_opened(where: str, what: str, *, is_part: bool = False) -> Finding:
    """Return the finding for a wrapping that was not looked into, or a part of it was not.

    What follows a semicolon in ``what`` is what to do about it.
    """
    remedy = ""
    if not is_part:
        what, _, remedy = what.partition("; ")
    return Finding(
        "not-opened",
        Severity.WARNING,
        where[:500],
        f"not all of it was looked into: {what}"
        if is_part
        else f"not opened: {what}; the files in it were not looked into",
        remedy or remedy_for(what),
    )


def remedy_for(reason: str) -> str:
    """Return what to do about a file that cannot be read for this reason."""
    if "not beside" in reason:
        return _ALL_PARTS
    return _GET_AGAIN if re.search(_DAMAGED, reason) else _UNPACK
