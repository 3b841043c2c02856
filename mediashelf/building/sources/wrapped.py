"""An archive or image as a source: its members become files of the disc without being unpacked.

Decided here:

=======================  ==============================================================
found in it              on the disc
=======================  ==============================================================
member that can be read  a file, with its own date: dates without a zone are taken as
                         UTC; 1 January 1980 where there is none
``\\`` in a name          parts folders, as on the systems that write it
``a//b``, ``./a``        ``a/b`` and ``a``
``..``, ``/a``, ``C:a``  left out, error ``member-name-unsafe``
over 100 levels          the same
a name twice             the first; a note when the bytes are equal, else the error
                         ``same-place-twice``
encrypted, by a method   left out, error ``member-unreadable``
that is not known, cut
size that its bytes      left out, error ``member-size-impossible``
cannot have
bytes of another         left out, error ``members-overlap``
member
more than the archive    left out, error ``archive-expands-too-far``
may expand to in all
symbolic link, device    left out, warnings as for folders
listing that breaks off  what was listed, and the error ``source-unreadable``
archive or image in it   a file; a folder of its name without the suffix, where the source
                         says ``unpack`` and it can be opened; then its other parts are left out
=======================  ==============================================================

Data is checked when it is read: see :mod:`.member_reading`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from msgspec.structs import replace

from mediashelf.building.recipes.patterns import Parts, Selection
from mediashelf.building.recipes.source_names import own_name
from mediashelf.building.sources.clock import NO_FILES
from mediashelf.building.sources.placing import Spot, link_left_out, place_file, special_left_out
from mediashelf.building.tree import Content, DiscFile, Wrapped
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.trees.joined.parts import LaterPartError
from mediashelf.trees.joined.split import is_first_piece
from mediashelf.trees.members import END_UNCLEAR, MemberKind, TreeMember
from mediashelf.trees.opening import open_inside, open_tree
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import may_be_wrapping

_REMEDY = "unpack it elsewhere and check it, or skip it in the recipe"


def list_wrapped(
    path: Path, folder: Spot, selection: Selection, origin: int, *, unpacks: bool = False
) -> Iterator[Finding]:
    """Put the members of what is at ``path`` into ``folder``, and yield findings.

    Patterns count from the spot's own source folder. With ``unpacks`` what is packed in it is
    opened too, but for cabinets beside an INF, which names them.
    Raises :class:`InputError` for what cannot be read or opened. The tree stays open as
    long as a member of it is used.
    """
    tree = open_tree(path)
    yield from list_opened(tree, folder, selection, origin, unpacks=unpacks)


def list_opened(
    tree: Tree, folder: Spot, selection: Selection, origin: int, *, unpacks: bool
) -> Iterator[Finding]:
    """Do the same with a tree that is open."""
    yield from _list_tree(tree, folder, selection, origin, unpacks=unpacks)
    if tree.file is not None:
        tree.file.rest()


def _list_tree(
    tree: Tree, folder: Spot, selection: Selection, origin: int, *, unpacks: bool
) -> Iterator[Finding]:
    with_inf = {one.parts[:-1] for one in tree.members if one.name.lower().endswith(".inf")}
    yield from (_of_listing(one) for one in tree.findings)
    yield from tree.notes
    opener = _Opener(tree)
    spots: dict[Parts, Spot] = {(): folder}
    above = folder.parts
    joined: set[Parts] = set()
    # By name, so that the order of an archive has no influence on the disc; the sort
    # keeps the order of equal names. First pieces come before others, whatever their case.
    for member in sorted(
        tree.members, key=lambda member: (not is_first_piece(member.name), member.parts)
    ):
        where = tree.where_is(member)
        if (*member.parts[:-1], member.name.lower()) in joined:
            continue  # its bytes are in what was opened with the first part
        if member.is_folder:
            if selection.takes_folder((*above, *member.parts)):
                _spot(spots, tree, member.parts).folder()
        elif unpacks and _may_be_unpacked(member, with_inf) and (found := opener.open(member)):
            spot = _spot(spots, tree, (*member.parts[:-1], own_name(Path(member.name))))
            if isinstance(found, Tree):
                joined.update((*member.parts[:-1], name) for name in found.parts_beside)
            if isinstance(found, Tree) and not selection.skips_folder(spot.parts):
                yield from _list_tree(found, spot, selection, origin, unpacks=True)
        elif not selection.takes_file((*above, *member.parts)):
            continue
        elif member.kind is MemberKind.LINK:
            yield link_left_out(where, "is in an archive, where links are not followed")
        elif member.kind is MemberKind.SPECIAL:
            yield special_left_out(where, "device or FIFO")
        elif member.unreadable is not None:
            rule, reason = member.unreadable
            reason = f"{reason}, so it would not be on the disc"
            yield Finding(rule, Severity.ERROR, where[:500], reason, _REMEDY)
        else:
            file = _file(tree, member, where, origin)
            yield from place_file(_spot(spots, tree, member.parts[:-1]).folder(), file)


def _may_be_unpacked(member: TreeMember, with_inf: set[Parts]) -> bool:
    is_own_cabinet = member.name.lower().endswith(".cab") and member.parts[:-1] in with_inf
    is_file = member.is_file and member.unreadable is None
    return is_file and may_be_wrapping(member.name) and not is_own_cabinet


class _Opener:
    """Opens what is packed in a tree, each once."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self._opened: dict[Parts, Tree | bool] = {}

    def open(self, member: TreeMember) -> Tree | bool:
        """Return a wrapping as a tree; False for what stays a file, True for what is left out.

        What cannot be opened stays a file: whatever looks for drivers says why. A later part
        of an archive is left out where the first part gives its files.
        """
        if member.parts not in self._opened:
            self._opened[member.parts] = self._open(member)
        return self._opened[member.parts]

    def _open(self, member: TreeMember) -> Tree | bool:
        try:
            return open_inside(self._tree, member)
        except LaterPartError as error:
            first = self._tree.find((*member.parts[:-1], error.first)) if error.first else None
            return first is not None and isinstance(self.open(first), Tree)
        except InputError:
            return False


def _of_listing(finding: Finding) -> Finding:
    """Return a finding of a tree as one that blocks the disc, which would lack something.

    That files may be missing, where nothing shows it, stays what it is.
    """
    if finding.rule == END_UNCLEAR or finding.severity is Severity.NOTE:
        return finding
    is_cut = finding.rule == "listing-incomplete"
    return replace(
        finding,
        rule="source-unreadable" if is_cut else finding.rule,
        severity=Severity.ERROR,
        remedy="get it again, or unpack what is sound in it and use the folder"
        if is_cut
        else _REMEDY,
    )


def _spot(spots: dict[Parts, Spot], tree: Tree, parts: Parts) -> Spot:
    spot = spots.get(parts)
    if spot is None:
        above = _spot(spots, tree, parts[:-1])
        where = tree.where_is(TreeMember(parts, 0, None))
        spot = spots[parts] = above.below(parts[-1], where)
    return spot


def _file(tree: Tree, member: TreeMember, where: str, origin: int) -> DiscFile:
    outer = tree.file
    assert outer is not None
    content = Content(
        str(outer.path), member.size, outer.modified_ns, member=Wrapped(tree, member, outer.size)
    )
    modified = NO_FILES if member.modified is None else member.modified
    return DiscFile(member.name, content, modified, origin, where)
