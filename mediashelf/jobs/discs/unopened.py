"""Files among drivers that hold files themselves: drivers in them are not on the disc as such.

An old system cannot read a package that is still packed, so whatever looks for drivers says
which archives hold some, and which could not be looked into.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import PurePosixPath

from msgspec.structs import replace

from mediashelf.building.planning.listing import Listing
from mediashelf.building.sources.reading import iter_source
from mediashelf.building.tree import DiscFile
from mediashelf.errors import BuildError, InputError
from mediashelf.findings import Finding, Severity
from mediashelf.text import count_text, first_text
from mediashelf.trees.inside import iter_gaps, iter_trees
from mediashelf.trees.members import TreeMember
from mediashelf.trees.tree import Tree

NOT_OPENED, PACKED = "not-opened", "packages-in-archive"
_NAMES_SHOWN = 3
_UNREAD = frozenset(
    {NOT_OPENED, "inf-unreadable", "listing-incomplete", "member-name-unsafe"}
    | {"member-unreadable", "source-unreadable"}
)
"""Rules of findings that say: what is in here is not known."""


class ListingTree(Tree):
    """The files of a disc that is planned, as a tree, under their names in the sources."""

    def __init__(self, listing: Listing) -> None:
        super().__init__("", "disc that is planned")
        self._separator = ""
        self.members = [
            TreeMember((*parts, name), file.own.size, file.modified, handle=file)
            for parts, folder in listing.iter_folders()
            for name, file in folder.files.items()
        ]

    def where_is(self, member: TreeMember) -> str:
        assert isinstance(member.handle, DiscFile)
        return member.handle.source

    def host_path(self, member: TreeMember) -> str | None:
        assert isinstance(member.handle, DiscFile)
        own = member.handle.own
        return own.path if own.member is None else None

    def _stream(self, member: TreeMember) -> Iterator[bytes]:
        assert isinstance(member.handle, DiscFile)
        try:
            with closing(iter_source(member.handle.own)) as pieces:
                yield from pieces
        except BuildError as error:
            raise InputError(str(error)) from error


def check_unopened(tree: Tree) -> Iterator[Finding]:
    """Yield what archives in a tree hold packages, and which could not be looked into.

    Cabinets beside an INF are its own: they are looked into where its files are counted.
    """
    with_inf = {member.parts[:-1] for member in tree.members if _is_inf(member)}

    def is_own_cabinet(member: TreeMember) -> bool:
        is_cabinet = PurePosixPath(member.name.lower()).suffix == ".cab"
        return is_cabinet and member.parts[:-1] in with_inf

    for found in iter_trees(tree, skips=is_own_cabinet):
        if isinstance(found, Finding):
            yield found
        elif found is not tree:
            yield from iter_gaps(found)
            infs = [
                member.path
                for member in found.members
                if _is_inf(member) and member.unreadable is None
            ]
            if infs:
                yield Finding(
                    PACKED,
                    Severity.WARNING,
                    found.where,
                    f"{count_text(len(infs), 'INF')} in this {found.form} "
                    f"({first_text(infs, _NAMES_SHOWN)}): on the disc they would still be packed",
                    f'name it as a source of its own: from = "{found.where}"',
                )


def _is_inf(member: TreeMember) -> bool:
    return member.is_file and member.name.lower().endswith(".inf")


def not_the_last_word(findings: Sequence[Finding], unopened: Sequence[Finding]) -> list[Finding]:
    """Return findings whose remedy does not send for a package that may be in a closed archive."""
    closed = sum(one.rule in _UNREAD for one in unopened)
    packed = [one.where for one in unopened if one.rule == PACKED]
    hints = [f"{count_text(closed, 'file')} not looked into"] if closed else []
    hints += [f"{count_text(len(packed), 'archive')} with packages still packed"] if packed else []
    if not hints:
        return list(findings)
    remedy = f"open these first: {' and '.join(hints)}; then add a package for it"
    return [
        replace(one, remedy=remedy) if one.rule == "device-without-driver" else one
        for one in findings
    ]
