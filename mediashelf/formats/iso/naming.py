"""How a tree names its entries: what the trees have in common.

A naming turns the records of one directory into identifiers (as recorded) and
names (as part of a path). Directories can hold 50,000 records, so namings work
on whole directories at a time.
"""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple, Protocol

from mediashelf.formats.iso.directories.record_columns import RecordColumns
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import FLAG_ASSOCIATED, FLAG_MULTI_EXTENT

REPLACEMENT = "\ufffd"
"""Replaces what can't be part of a path."""


class Directory(NamedTuple):
    """One directory on the way through a tree.

    ``path`` is empty for the root. ``mark`` follows paths in findings to tell
    trees apart. ``offset`` is the byte offset of the extent, ``parent`` the
    parent's position in the tree's list of directories.
    """

    path: str
    mark: str
    identifier: bytes
    lba: int
    size: int
    offset: int
    parent: int
    depth: int

    @property
    def where(self) -> str:
        """The place that findings name."""
        return (self.path or "/") + self.mark

    def child(self, name: str) -> str:
        """The place that findings name for something in this directory."""
        return f"{self.path}/{name}{self.mark}"


class Named(NamedTuple):
    """Records with what they are called; three lists of equal length."""

    records: RecordColumns
    identifiers: list[str]
    names: list[str]


class Naming(Protocol):
    """What the walk asks of a tree."""

    mark: str
    """Follows a path in findings to tell trees apart, such as `` (joliet)``."""

    checks_records: bool
    """False where the same records are checked in another tree already."""

    def name_all(self, directory: Directory, data: bytes, records: RecordColumns) -> Named:
        """Return the entries of ``directory``, whose extent's bytes are ``data``."""
        ...

    def judge(self, directory: Directory, named: Named) -> None:
        """Log what this tree's own rules say about identifiers and their order."""
        ...

    def finish(self) -> None:
        """Log what only the whole tree tells, once the walk is over."""
        ...


def usable_names(
    directory: Directory, records: RecordColumns, names: list[str], log: ProblemLog
) -> list[str]:
    """Return ``names`` so that each can be one part of a path.

    ``/`` inside a name, and the names ``.``, ``..`` and the empty one, would
    mean other places; they are replaced and logged.
    """
    together = "/".join(names)
    known = set(names)
    if together.count("/") == len(names) - 1 and known.isdisjoint(("", ".", "..")):
        return names
    usable = []
    for record, name in zip(records, names, strict=True):
        good = name.replace("/", REPLACEMENT)
        if good in ("", ".", ".."):
            good = REPLACEMENT * max(len(good), 1)
        if good != name:
            log.add(
                "identifier-usable",
                directory.where,
                f"the name {name!r} can't be part of a path",
                offset=directory.offset + record.at,
                found=repr(name),
                expected="a name without / that is not empty, . or ..",
            )
        usable.append(good)
    return usable


def log_duplicates(directory: Directory, named: Named, log: ProblemLog) -> None:
    """Log identifiers that occur more than once, other than as sections of one file."""
    identifiers = named.identifiers
    if len(set(identifiers)) == len(identifiers):
        return
    counts = Counter(
        (identifier, flags & FLAG_ASSOCIATED)
        for identifier, flags in zip(identifiers, named.records.flags, strict=True)
        # Every section of a file but the last has this flag.
        if not flags & FLAG_MULTI_EXTENT
    )
    for (identifier, _), count in counts.items():
        if count > 1:
            log.add(
                "identifiers-distinct",
                directory.where,
                f"{identifier!r} occurs {count} times in one directory; readers show only one",
                offset=directory.offset,
                found=count,
                expected=1,
            )
