"""Open bytes as the kind of wrapping that they are.

What is not needed by most is loaded only where it is met.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.formats.fields import View
from mediashelf.formats.packed.archive_headers import (
    LHA_HEADER_SIZE,
    find_lha_end,
    is_lha_header,
)
from mediashelf.formats.packed.fat import read_fat
from mediashelf.formats.packed.rar_parts import content_checksums
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import ClosableView, DiscImage
from mediashelf.trees.bytes import PartView, Spool, StampedFile
from mediashelf.trees.disc import DiscTree
from mediashelf.trees.floppy import FloppyTree
from mediashelf.trees.joined.cabinets import whole_cabinet
from mediashelf.trees.joined.parts import Beside, nothing_beside
from mediashelf.trees.joined.rar import whole_rar
from mediashelf.trees.joined.split import cut_short, whole_file
from mediashelf.trees.members import Bounds, end_unclear
from mediashelf.trees.tree import Tree
from mediashelf.trees.wrappings import (
    BY_LIBRARY,
    ONE_FILE,
    Wrapping,
    detect_wrapping,
    find_cut,
    why_closed,
)
from mediashelf.trees.zips.archive import ZipTree

if TYPE_CHECKING:
    from mediashelf.trees.archives.library import LibraryTree


def open_view(
    where: str,
    view: ClosableView,
    depth: int,
    kind: VolumeKind | None,
    bounds: Bounds,
    beside: Beside = nothing_beside,
) -> Tree | None:
    """Return the tree that these bytes are, None for a plain file.

    ``depth`` counts the wrappings around them; ``kind`` asks for one tree of a disc;
    ``beside`` gives other files of the same folder. Raises :class:`InputError` for a
    wrapping that is damaged, or cannot be opened here.
    """
    try:
        tree = _open_bytes(where, view, depth, kind, bounds, beside)
    except OSError as error:
        raise InputError(f"{where}: cannot be read: {error.strerror or error}") from error
    if tree is not None:
        tree.depth = depth
    if kind is not None and tree is not None and "image" not in tree.form:
        tree.close()
        raise InputError(f"{where}: is a {tree.form}, which has no {kind.words} tree")
    return tree


def _open_bytes(
    where: str,
    view: ClosableView,
    depth: int,
    kind: VolumeKind | None,
    bounds: Bounds,
    beside: Beside,
) -> Tree | None:
    view = whole_file(where, view, beside)
    found = detect_wrapping(view)
    if found is None:
        tree = _open_program(where, view, bounds, beside)
        if tree is not None:
            return tree
    if found in ONE_FILE:
        return _open_compressed(where, found, view, depth, kind, bounds)
    if found is Wrapping.DISC:
        return DiscTree(where, DiscImage(Path(where), view), bounds, kind)
    if found is Wrapping.FLOPPY:
        volume = read_fat(view)
        return None if volume is None else FloppyTree(where, volume, bounds)
    if found is Wrapping.ZIP:
        zipped = ZipTree(where, view, bounds)
        return _one_floppy(zipped, bounds) if where.lower().endswith(".imz") else zipped
    if found is Wrapping.TAR:
        from mediashelf.trees.archives.tar import TarTree  # loaded only for those that need it

        return TarTree(where, view, bounds)
    if found in BY_LIBRARY:
        return _open_by_library(where, found, view, bounds, beside)
    if found is None:
        # An archive may follow anything, and its first bytes may be damaged.
        from mediashelf.trees.attached import ends_as_zip

        return ZipTree(where, view, bounds) if ends_as_zip(view) else None
    raise InputError(f"{where}: is {found.words}, which cannot be opened here")


def _open_by_library(
    where: str, found: Wrapping, view: View, bounds: Bounds, beside: Beside
) -> Tree:
    from mediashelf.trees.archives.library import LibraryTree  # loaded only for those that need it

    cabinet = whole_cabinet(where, view, beside) if found is Wrapping.CABINET else None
    view = view if cabinet is None else cabinet.view
    closed = why_closed(view, found)
    if closed:
        if "cut short" in closed:
            raise cut_short(where, f"the {found.value} {closed}")
        raise InputError(f"{where}: {closed}, which cannot be opened here")
    if found is Wrapping.RAR:
        view = whole_rar(where, view, beside)
    whole = view if isinstance(view, StampedFile | Spool) else Spool().copy(view)
    tree = LibraryTree(where, found, whole, bounds)
    if found is Wrapping.RAR:
        tree.expect(content_checksums(view))
    if found is Wrapping.LHA:
        tree.findings += _check_lha_end(tree, view)
    if cabinet is not None:
        tree.add_lost(cabinet.lost, cabinet.gaps)
    if cut := find_cut(view, found):
        tree.findings += (tree.incomplete(cut.replace("is", "it is", 1)),)
    return tree


def _check_lha_end(tree: LibraryTree, view: View) -> tuple[Finding, ...]:
    """Return what is said of where the archive ends; the library takes any end for its end."""
    end = find_lha_end(view)
    if end == view.size:
        fact = "it ends after a member, without the zero byte that ends an LHA archive"
        return (end_unclear(tree.where, fact),)
    mark, rest = view.read(end, 1), view.read(end + 1, LHA_HEADER_SIZE)
    if mark != b"\0" or not rest.strip(b"\0\x1a"):  # what old transfers fill blocks with
        return ()
    if is_lha_header(rest):
        fact = f"another LHA archive begins at byte {end + 1:,}, whose files are not read"
        remedy = "get the archive again, or cut it there into two files"
        return (tree.incomplete(fact, remedy),)
    count = view.size - end - 1
    fact = f"where the LHA archive ends, {count:,} bytes follow it that are not part of it"
    return (end_unclear(tree.where, fact),)


def _one_floppy(tree: ZipTree, bounds: Bounds) -> Tree:
    """Return the floppy that is alone in an archive; ``.imz`` is such a one (common practice)."""
    files = [member for member in tree.members if member.is_file]
    if len(files) != 1 or files[0].unreadable is not None:
        return tree
    spool = Spool().extend(tree.stream(files[0]))
    volume = read_fat(spool)
    if volume is None:
        spool.close()
        return tree
    floppy = FloppyTree(tree.where, volume, bounds)
    floppy.form = f"{floppy.form} in a {tree.form}"
    floppy.own(spool)
    floppy.expanded = spool
    return floppy


def _open_program(where: str, view: ClosableView, bounds: Bounds, beside: Beside) -> Tree | None:
    """Open what a program carries; raises :class:`InputError` for what is not known."""
    from mediashelf.trees.attached import find_attached, find_in_com

    attached = find_attached(view) if view.read(0, 2) == b"MZ" else find_in_com(view)
    if attached is None:
        return None
    if attached.wrapping is None:
        raise InputError(
            f"{where}: is an installer of unknown kind: {attached.size:,} bytes follow the program"
        )
    if attached.wrapping is Wrapping.ZIP:
        tree: Tree = ZipTree(where, view, bounds)
    else:
        part = Spool().copy(PartView(view, attached.start, attached.size))
        tree = _open_by_library(where, attached.wrapping, part, bounds, beside)
    tree.form = f"program with {attached.wrapping.words} in it"
    return tree


def _open_compressed(
    where: str,
    wrapping: Wrapping,
    view: ClosableView,
    depth: int,
    kind: VolumeKind | None,
    bounds: Bounds,
) -> Tree:
    """Open a compressed file: what it holds if that is a wrapping, else as a tree of one file."""
    from mediashelf.trees.archives.compressed import OneFileTree, expand_file

    if depth >= bounds.depth:
        raise InputError(f"{where}: is inside too many others; unpack the outer ones")
    spool, unread = expand_file(where, wrapping, view, bounds)
    tree = _open_bytes(where, spool, depth + 1, kind, bounds, nothing_beside)
    if tree is None:
        tree = OneFileTree(where, wrapping, spool)
    else:
        tree.form = f"{tree.form} in {wrapping.words}"
    if unread:
        fact = (
            f"where the {wrapping.value} ends, {unread:,} bytes follow it that are not part of it"
        )
        # Only xz itself refuses such a file; the others pass the bytes over.
        severity = Severity.ERROR if wrapping is Wrapping.XZ else Severity.WARNING
        tree.findings += (end_unclear(where, fact, severity),)
    tree.own(spool)
    tree.expanded = spool
    return tree
