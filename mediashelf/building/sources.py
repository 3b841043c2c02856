"""What the source folders hold, as a tree for the disc, with findings for what stays out.

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
=====================  ==============================================================

The source folder itself may be reached through links.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from mediashelf.building.reading import digest_source
from mediashelf.building.recipe import SourceFolder
from mediashelf.building.tree import Content, DiscFile, DiscFolder
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity


def read_sources(sources: Iterable[SourceFolder]) -> tuple[DiscFolder, list[Finding]]:
    """List all source folders into one tree; file contents are read only to compare rivals.

    Raises :class:`InputError` for a source folder that does not exist or is no
    folder. What lies below is never an exception but a finding.
    """
    root = DiscFolder("")
    findings: list[Finding] = []
    for source in sources:
        folder = root
        for name in source.to:
            folder = folder.folder(name)
        listing = _Listing(_real_folder(source.path))
        findings += listing.iter_findings(folder)
    return root, findings


def _real_folder(path: Path) -> str:
    real = os.path.realpath(path)
    if not os.path.isdir(real):  # noqa: PTH112
        word = "is no folder" if os.path.lexists(real) else "does not exist"
        raise InputError(f"{path}: {word}; a disc is built from folders")
    return real


class _Listing:
    """Puts what one source folder holds into the tree, and yields findings on the way."""

    def __init__(self, top: str) -> None:
        self._top = top

    def iter_findings(self, target: DiscFolder) -> Iterator[Finding]:
        waiting = [(self._top, target)]
        while waiting:
            path, folder = waiting.pop()
            try:
                with os.scandir(path) as entries:
                    listed = sorted(entries, key=lambda entry: entry.name)
            except OSError as error:
                yield _unreadable(path, error)
                continue
            for entry in listed:
                try:
                    if entry.is_symlink():
                        yield from self._add_link(entry.path, entry.name, folder)
                    elif entry.is_dir(follow_symlinks=False):
                        waiting.append((entry.path, folder.folder(entry.name, entry.path)))
                    else:
                        facts = os.stat(entry.path, follow_symlinks=False)  # noqa: PTH116
                        yield from self._add_file(entry.path, entry.path, facts, folder)
                except OSError as error:
                    yield _unreadable(entry.path, error)

    def _add_link(self, path: str, name: str, folder: DiscFolder) -> Iterator[Finding]:
        target = os.path.realpath(path)
        if not os.path.exists(target):  # noqa: PTH110
            yield _link_left_out(path, "leads to nothing")
        elif not Path(target).is_relative_to(self._top):
            yield _link_left_out(path, "leads out of its source folder")
        elif os.path.isdir(target):  # noqa: PTH112
            yield _link_left_out(path, "leads to a folder")
        else:
            yield from self._add_file(path, target, os.stat(target), folder)  # noqa: PTH116

    def _add_file(
        self, path: str, target: str, facts: os.stat_result, folder: DiscFolder
    ) -> Iterator[Finding]:
        if not stat.S_ISREG(facts.st_mode):
            yield _special_left_out(path, facts.st_mode)
            return
        if not os.access(target, os.R_OK):
            yield _unreadable(path, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))
            return
        name = os.path.basename(path)  # noqa: PTH119
        content = Content(target, facts.st_size, facts.st_mtime_ns)
        file = DiscFile(name, path, content, facts.st_mtime_ns // 1_000_000_000)
        earlier = folder.files.setdefault(name, file)
        if earlier is not file:
            yield _same_place(earlier, file)


def _same_place(earlier: DiscFile, later: DiscFile) -> Finding:
    first, second = earlier.own, later.own
    is_equal = first.size == second.size and (digest_source(first) == digest_source(second))
    what = "the same" if is_equal else "other bytes; only the first would be on the disc"
    return Finding(
        "same-place-twice",
        Severity.NOTE if is_equal else Severity.ERROR,
        later.source,
        f"{earlier.source} goes to the same place on the disc and holds {what}",
        "" if is_equal else "Give one of the two folders another 'to', or rename one file",
    )


def _link_left_out(path: str, fact: str) -> Finding:
    return Finding(
        "link-left-out",
        Severity.WARNING,
        path,
        f"symbolic link {fact}, so it is not on the disc",
        "Copy what it leads to into the folder, or name that as a folder of its own",
    )


def _special_left_out(path: str, mode: int) -> Finding:
    kind = "FIFO" if stat.S_ISFIFO(mode) else "socket" if stat.S_ISSOCK(mode) else "device"
    return Finding(
        "special-file-left-out",
        Severity.WARNING,
        path,
        f"a {kind} has no bytes to put on a disc, so it is not there",
        "Remove it from the folder if it is there by mistake",
    )


def _unreadable(path: str, error: OSError) -> Finding:
    return Finding(
        "source-unreadable",
        Severity.ERROR,
        path,
        f"cannot be read, so it would not be on the disc: {error.strerror or error}",
        "Give yourself the right to read it, or take it out of the folder",
    )
