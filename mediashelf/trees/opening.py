"""Open a folder, an image or an archive as a tree, and the wrappings inside it.

A place is a path, and below an image or archive a path in it::

    drivers                       a folder
    disc.iso:/DRIVERS/LAN         a folder of an image
    disc.iso:/PACK.ZIP:/win9x     a folder of an archive in an image

Names are found as they are, else by letters of another case. Nothing is unpacked beside
the user's files: what cannot be read in place is expanded into memory or an unnamed
temporary file, within :class:`Bounds`.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

from mediashelf.errors import InputError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinets.records import MAX_HEADER_SIZE
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import ClosableView
from mediashelf.trees.by_kind import open_view
from mediashelf.trees.bytes import LateSpool, Spool, StampedFile, Start
from mediashelf.trees.folder import FolderTree
from mediashelf.trees.joined.parts import Asked, Beside
from mediashelf.trees.members import Bounds, TreeMember
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import HEAD_SIZE, Wrapping, detect_wrapping

_INSIDE = re.compile(r":(?:[/\\]|$)")  # a path of the host loses the slash at its end
"""What stands between a file and a path in it; paths of Windows write it the other way."""

_NO_BOUNDS = Bounds()


def split_place(place: str | Path) -> tuple[Path, tuple[str, ...]]:
    """Return the path on the host that a place begins with, and the paths inside, outermost first.

    ``disc.iso:/A:/B`` gives ``disc.iso`` and ``("A", "B")``. What exists as a whole is a path.
    """
    text = str(place)
    if not os.path.lexists(text):
        for found in _INSIDE.finditer(text):
            if found.start() and os.path.isfile(text[: found.start()]):  # noqa: PTH113
                inside = _INSIDE.split(text[found.end() :])
                return Path(text[: found.start()]), tuple(one.replace("\\", "/") for one in inside)
    return Path(text), ()


def iter_splits(name: str) -> Iterator[tuple[str, str]]:
    """Yield each way to part a place into what is outside and the rest, the longest name first."""
    yield name, ""
    for found in reversed(list(_INSIDE.finditer(name))):
        yield name[: found.start()], name[found.start() :]


def open_tree(
    place: str | Path, *, kind: VolumeKind | None = None, bounds: Bounds = _NO_BOUNDS
) -> Tree:
    """Open what is at a place: ``with open_tree("disc.iso:/DRIVERS") as tree``.

    ``kind`` asks for one tree of a disc image. Raises :class:`InputError` when there
    is nothing, it cannot be read, or is of no kind that is opened here.
    """
    path, inside = split_place(place)
    if path.is_dir():
        return FolderTree(path, bounds)
    file = StampedFile(path)
    beside = Asked(_beside_file(path))
    try:
        tree = _known(str(path), open_view(str(path), file, 0, kind, bounds, beside))
        tree.file = file
        tree.parts_beside = frozenset(beside.names)
        for one in inside:
            parts = tuple(part for part in one.split("/") if part not in ("", "."))
            found = tree.find(parts)
            if found is not None and found.is_file:
                tree = open_inside(tree, found, kind=kind, bounds=bounds)
            else:
                tree = tree.below(parts)
    except BaseException:
        file.close()
        raise
    tree.own(file)
    return tree


def open_inside(
    tree: Tree,
    member: TreeMember,
    *,
    kind: VolumeKind | None = None,
    bounds: Bounds = _NO_BOUNDS,
) -> Tree:
    """Open a wrapping that is a file of another tree; raises :class:`InputError` like the first.

    Of a folder the file is opened itself; of other trees it is expanded, and stays
    readable when the outer tree is closed.
    """
    return _known(tree.where_is(member), open_wrapping(tree, member, kind, bounds))


def open_wrapping(
    tree: Tree, member: TreeMember, kind: VolumeKind | None, bounds: Bounds
) -> Tree | None:
    """Open a file of another tree, None when it is not a wrapping."""
    where = tree.where_is(member)
    start = tree.read(member, HEAD_SIZE)
    may_be_zip = start.startswith(b"MZ") or member.name.lower().endswith((".zip", ".exe", ".com"))
    if not may_be_zip and detect_wrapping(Start(start, member.size)) is None:
        return None
    host = tree.host_path(member)
    if host is None and tree.depth + 1 >= bounds.depth:
        raise InputError(
            f"{where}: is inside {bounds.depth} others, and no deeper ones are opened; "
            "unpack the outer ones"
        )
    view = Spool() if host is None else StampedFile(Path(host))
    try:
        if isinstance(view, Spool):
            view.extend(tree.stream(member))
        depth = tree.depth + 1 if host is None else 0
        beside = Asked(_beside_member(tree, member))
        found = open_view(where, view, depth, kind, bounds, beside)
    except BaseException:
        view.close()
        raise
    if found is None:
        view.close()
        return None
    found.own(view)
    found.file = tree.file if isinstance(view, Spool) else view
    found.parts_beside = frozenset(beside.names)
    return found


def file_beside(path: Path, name: str) -> Path | None:
    """Return the file of this name in the folder of another, in whatever case it is written."""
    named = path.with_name(name)
    if not named.is_file():
        others = (one for one in path.parent.iterdir() if one.name.lower() == name.lower())
        return next((one for one in others if one.is_file()), None)
    return named


def _beside_file(path: Path) -> Beside:
    """Return what gives other files of a file's folder on the host."""

    def find(name: str) -> ClosableView | None:
        other = file_beside(path, name)
        return StampedFile(other) if other is not None else None

    return find


def _beside_member(tree: Tree, member: TreeMember) -> Beside:
    """Return what gives other files of a member's folder."""

    def find(name: str) -> ClosableView | None:
        other = tree.find((*member.parts[:-1], name))
        if other is None or not other.is_file or other.unreadable is not None:
            return None
        host = tree.host_path(other)
        if host is not None:
            return StampedFile(Path(host))
        start = tree.read(other, MAX_HEADER_SIZE)
        return LateSpool(start, other.size, lambda: tree.stream(other))

    return find


def holds_archive(view: View) -> bool:
    """Tell whether bytes are those of a wrapping other than a disc image.

    A program that carries an archive is one. What cannot be read is none.
    """
    try:
        found = detect_wrapping(view)
        if found is None and view.read(0, 2) == b"MZ":
            from mediashelf.trees.attached import find_attached  # few files are programs

            return find_attached(view) is not None
        return found not in (None, Wrapping.DISC)
    except (OSError, InputError):
        return False


def _known(where: str, tree: Tree | None) -> Tree:
    if tree is None:
        raise InputError(f"{where}: is neither a folder nor an image or archive that is known")
    return tree
