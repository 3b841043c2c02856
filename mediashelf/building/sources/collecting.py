"""What the sources hold, as a tree for the disc, with findings for what stays out.

Decided here:

=====================  ==============================================================
found on the host      on the disc
=====================  ==============================================================
regular file           a file, also when empty or hidden
folder                 a folder, also when empty
hard link              a file of its own; equal bytes share one place
symbolic link to a     the file it leads to, when that is in the same source folder
file
symbolic link to a     left out, warning ``link-left-out``
folder, out of the
source folder, or to
nothing
device, FIFO, socket   left out, warning ``special-file-left-out``
unreadable file or     left out, error ``source-unreadable`` (which blocks)
folder
two sources for one    the first named; a note when their bytes are equal, else the
place                  error ``same-place-twice``
what ``only`` and      left out without a word; folders that hold nothing else are
``skip`` leave out     then left out as well, and a pattern that fits nothing is the
                       warning ``pattern-fits-nothing``
archive or image,      a folder of its name without the suffix, when the source says
``LAN.ZIP``            ``unpack``, and its other parts are left out; as it is when it
                       cannot be opened, and cabinets beside an INF, which names them
=====================  ==============================================================

The source folder itself may be reached through links. A source that is a file must be
an archive or image, and may name a folder in it: see :mod:`.wrapped`.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from mediashelf.building.recipes.patterns import Selection
from mediashelf.building.recipes.recipe import SourceFolder
from mediashelf.building.recipes.source_names import own_name
from mediashelf.building.sources.placing import Spot, link_left_out, place_file, special_left_out
from mediashelf.building.sources.wrapped import list_opened, list_wrapped
from mediashelf.building.tree import Content, DiscFile, DiscFolder
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.system import real_path
from mediashelf.trees.folder import follow_link, list_folder
from mediashelf.trees.joined.parts import LaterPartError
from mediashelf.trees.joined.split import is_first_piece
from mediashelf.trees.opening import file_beside, open_tree, split_place
from mediashelf.trees.wrappings import may_be_wrapping


def read_sources(sources: Iterable[SourceFolder]) -> tuple[DiscFolder, list[Finding]]:
    """List all sources into one tree; file contents are read only to compare rivals.

    Every file knows the number of its source as ``origin``. Raises
    :class:`InputError` for a source that does not exist or is neither a folder nor
    an archive. What is below is never an exception but a finding.
    """
    root = DiscFolder("")
    findings: list[Finding] = []
    for origin, source in enumerate(sources):
        folder = root
        for name in source.to:
            folder = folder.folder(name)
        selection = Selection(source.only, source.skip)
        findings += _iter_source(source, folder, selection, origin)
        findings += (_fits_nothing(source, pattern) for pattern in selection.unused())
    return root, findings


def _iter_source(
    source: SourceFolder, folder: DiscFolder, selection: Selection, origin: int
) -> Iterator[Finding]:
    real = real_path(source.path)
    if os.path.isdir(real):  # noqa: PTH112
        listing = _Listing(real, selection, origin, unpacks=source.unpack)
        yield from listing.iter_findings(folder)
    elif os.path.lexists(real) or split_place(source.path)[1]:
        yield from list_wrapped(source.path, Spot(folder), selection, origin, unpacks=source.unpack)
    else:
        raise InputError(f"{source.path}: no such folder, archive or image")


class _Listing:
    """Puts what one source folder holds into the tree, and yields findings on the way."""

    def __init__(self, top: str, selection: Selection, origin: int, *, unpacks: bool) -> None:
        self._top = top
        self._selection = selection
        self._origin = origin
        self._unpacks = unpacks
        self._opened: dict[Path, bool] = {}
        self._modified = 0  # of the last file

    def iter_findings(self, target: DiscFolder) -> Iterator[Finding]:
        takes_all = self._selection.is_everything
        waiting = [(self._top, Spot(target))]
        while waiting:
            path, spot = waiting.pop()
            try:
                listed = list_folder(path)
            except OSError as error:
                yield _unreadable(path, error)
                continue
            kept = _SETUP_CABINETS if any(map(_is_inf, listed)) else ()
            if self._unpacks:  # first pieces come before others, whatever their case
                listed.sort(key=lambda entry: not is_first_piece(entry.name))
            joined: set[str] = set()
            above = os.path.join(path, "")  # noqa: PTH118
            for entry in listed:
                try:
                    if entry.name.lower() in joined:
                        continue  # its bytes are in what was opened with the first part
                    if entry.is_dir(follow_symlinks=False):
                        waiting += self._subfolders(entry, spot)
                    elif self._unpacks and _may_be_unpacked(entry, kept):
                        yield from self._unpack(entry, spot, joined)
                    elif takes_all or self._selection.takes_file((*spot.parts, entry.name)):
                        yield from self._add(entry, spot, above)
                except OSError as error:
                    yield _unreadable(entry.path, error)

    def _subfolders(self, entry: os.DirEntry[str], above: Spot) -> Iterator[tuple[str, Spot]]:
        """Yield the folder's path and spot unless it is skipped."""
        spot = above.below(entry.name, entry.path)
        if not self._selection.skips_folder(spot.parts):
            if self._selection.takes_folder(spot.parts):
                spot.folder()
            yield entry.path, spot

    def _unpack(self, entry: os.DirEntry[str], above: Spot, joined: set[str]) -> Iterator[Finding]:
        """Put what an archive holds into the tree; ``joined`` gets the names of its other parts."""
        path = Path(entry.path)
        spot = above.below(own_name(path), entry.path)
        if self._selection.skips_folder(spot.parts):
            return
        try:
            tree = open_tree(path)
            joined.update(tree.parts_beside)
            yield from list_opened(tree, spot, self._selection, self._origin, unpacks=True)
        except InputError as error:
            if isinstance(error, LaterPartError) and error.first and self._opens(path, error.first):
                return  # its files are those of the first part
            # Whatever looks for drivers says why it is not opened.
            if self._selection.takes_file((*above.parts, entry.name)):
                folder = os.path.join(path.parent, "")  # noqa: PTH118
                yield from self._add(entry, above, folder)

    def _opens(self, path: Path, first: str) -> bool:
        """Tell whether an archive beside ``path`` can be opened; each is tried once."""
        found = file_beside(path, first)
        if found is not None and found not in self._opened:
            try:
                open_tree(found).close()
                self._opened[found] = True
            except InputError:
                self._opened[found] = False
        return found is not None and self._opened[found]

    def _add(self, entry: os.DirEntry[str], spot: Spot, above: str) -> Iterable[Finding]:
        """Put a file into the tree; return what is to be said of it, mostly nothing.

        ``above`` is the path of the folder that it was found in, up to the separator.
        """
        path = target = entry.path
        is_link = entry.is_symlink()
        if is_link:
            target, reason = follow_link(path, self._top, "source folder")
            if reason:
                return [link_left_out(path, reason)]
        facts = os.stat(target, follow_symlinks=is_link)  # noqa: PTH116
        if not stat.S_ISREG(facts.st_mode):
            mode = facts.st_mode
            kind = "FIFO" if stat.S_ISFIFO(mode) else "socket" if stat.S_ISSOCK(mode) else "device"
            return [special_left_out(path, kind)]
        if not os.access(target, os.R_OK):
            return [_unreadable(path, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))]
        name, size, modified_ns = entry.name, facts.st_size, facts.st_mtime_ns
        if is_link:
            content, listed = Content(target, size, modified_ns), path
        else:
            content, listed = Content(name, size, modified_ns, above=above), ""
        modified = modified_ns // 1_000_000_000
        if modified == self._modified:
            modified = self._modified  # files that came together share one number
        self._modified = modified
        file = DiscFile(name, content, modified, self._origin, listed)
        return place_file(spot.folder(), file)


_SETUP_CABINETS = (".cab",)


def _is_inf(entry: os.DirEntry[str]) -> bool:
    return entry.name.lower().endswith(".inf")


def _may_be_unpacked(entry: os.DirEntry[str], kept: tuple[str, ...]) -> bool:
    """Tell whether a file is worth a try; ``kept`` are endings of what stays as it is."""
    name = entry.name.lower()
    return (
        may_be_wrapping(name) and not name.endswith(kept) and entry.is_file(follow_symlinks=False)
    )


def _fits_nothing(source: SourceFolder, pattern: str) -> Finding:
    return Finding(
        "pattern-fits-nothing",
        Severity.WARNING,
        str(source.path),
        f"the pattern {pattern!r} matches nothing in it",
        "fix the pattern, or take it out of the recipe",
    )


def _unreadable(path: str, error: OSError) -> Finding:
    return Finding(
        "source-unreadable",
        Severity.ERROR,
        path,
        f"cannot be read, so it would not be on the disc: {error.strerror or error}",
        "give yourself read permission, or take it out of the folder",
    )
