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
from collections.abc import Iterator
from pathlib import Path

from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import ClosableView, DiscImage
from mediashelf.trees.bytes import Spool, StampedFile, Start
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.folder import FolderTree
from mediashelf.trees.members import Bounds, TreeMember, not_opened
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import HEAD_SIZE, Wrapping, detect_wrapping, may_be_wrapping
from mediashelf.trees.zip_archive import ZipTree

INSIDE = ":/"
"""What stands between a file and a path in it."""

_NO_BOUNDS = Bounds()


def split_place(place: str) -> tuple[Path, tuple[str, ...]]:
    """Return the path on the host that a place begins with, and the paths inside, outermost first.

    ``disc.iso:/A:/B`` gives ``disc.iso`` and ``("A", "B")``. What exists as a whole is a path.
    """
    at = -1 if os.path.lexists(place) else place.find(INSIDE)
    while at >= 0:
        if at and os.path.isfile(place[:at]):  # noqa: PTH113
            return Path(place[:at]), tuple(place[at + len(INSIDE) :].split(INSIDE))
        at = place.find(INSIDE, at + 1)
    return Path(place), ()


def open_tree(
    place: str | Path, *, kind: VolumeKind | None = None, bounds: Bounds = _NO_BOUNDS
) -> Tree:
    """Open what is at a place: ``with open_tree("disc.iso:/DRIVERS") as tree``.

    ``kind`` asks for one tree of a disc image. Raises :class:`InputError` when there
    is nothing, it cannot be read, or is of no kind that is opened here.
    """
    path, inside = split_place(str(place))
    if path.is_dir():
        return FolderTree(path, bounds)
    file = StampedFile(path)
    try:
        tree = _known(str(path), _open_view(str(path), file, 0, kind, bounds))
        tree.file = file
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
    return _known(tree.where_is(member), _open_inside(tree, member, kind, bounds))


def _open_inside(
    tree: Tree, member: TreeMember, kind: VolumeKind | None, bounds: Bounds
) -> Tree | None:
    """Open a file of another tree, None when it is not a wrapping."""
    where = tree.where_is(member)
    if detect_wrapping(Start(tree.read(member, HEAD_SIZE))) is None:
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
        found = _open_view(where, view, depth, kind, bounds)
    except BaseException:
        view.close()
        raise
    if found is None:
        view.close()
        return None
    found.own(view)
    found.file = tree.file if isinstance(view, Spool) else view
    return found


def iter_trees(tree: Tree, *, bounds: Bounds = _NO_BOUNDS) -> Iterator[Tree | Finding]:
    """Yield the tree, then each wrapping in it as a tree, then what is in those.

    Each but the first is closed when the next is asked for. What cannot be opened is a finding
    of the rule ``not-opened``; the findings of a tree are in the tree.
    """
    yield tree
    for member in tree.members:
        if not member.is_file or not may_be_wrapping(member.name):
            continue
        try:
            inner = _open_inside(tree, member, None, bounds)
        except InputError as error:
            yield not_opened(tree.where_is(member), _reason(tree.where_is(member), error))
            continue
        if inner is not None:
            with inner:
                yield from iter_trees(inner, bounds=bounds)


def _known(where: str, tree: Tree | None) -> Tree:
    if tree is None:
        raise InputError(f"{where}: is neither a folder nor an image or archive that is known")
    return tree


def _reason(where: str, error: InputError) -> str:
    """Return the words of an error without the place that they begin with."""
    return str(error).removeprefix(f"{where}: ")


def _open_view(
    where: str, view: ClosableView, depth: int, kind: VolumeKind | None, bounds: Bounds
) -> Tree | None:
    try:
        found = detect_wrapping(view)
        if found is Wrapping.ZIP:
            tree: Tree = ZipTree(where, view, bounds)
        elif found is Wrapping.DISC:
            tree = DiscTree(where, DiscImage(Path(where), view), bounds, kind)
        elif found is None:
            return None
        else:
            raise InputError(f"{where}: is {found.words}, which cannot be opened here")
    except OSError as error:
        raise InputError(f"{where}: cannot be read: {error.strerror or error}") from error
    tree.depth = depth
    return tree
