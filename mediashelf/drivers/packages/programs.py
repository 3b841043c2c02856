"""Is a program as long as its own header says? What an INF says of sizes may be out of date."""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.errors import FormatError, MediashelfError
from mediashelf.formats.packed.portable_executable import (
    find_pe_header,
    read_portable_executable,
)
from mediashelf.formats.packed.programs import (
    MZ_SIZE,
    Region,
    parse_mz_header,
    read_le_regions,
    read_ne_regions,
)

_SUFFIXES = frozenset(
    ("386", "acm", "ax", "cpl", "dll", "drv", "exe", "mpd", "ocx", "pdr", "sys", "vxd")
)
_HEAD = 16 << 10
"""Bytes that are read: headers with the tables of what is in the file."""


class _Start(NamedTuple):
    """The start of a file as a view of the whole."""

    data: bytes
    size: int

    def read(self, offset: int, size: int) -> bytes:
        return self.data[offset : offset + size]


def is_whole_program(tree: PackageTree, file: TreeFile) -> bool | None:
    """Whether all is there that a program's header places in the file; None where that is open.

    Open are files of other kinds, and those whose start takes long to read. What follows the
    last place that the header names is not asked for, but where much may (archives that unpack
    themselves) it is open, too.
    """
    suffix = file.path.lower().rpartition(".")[2]
    if not file.size or suffix not in _SUFFIXES:
        return None
    known = tree.programs
    if file.path not in known:
        known[file.path] = _look(tree, file) if tree.is_quick(file) else None
    return None if known[file.path] and suffix == "exe" else known[file.path]


def _look(tree: PackageTree, file: TreeFile) -> bool | None:
    try:
        view = _Start(tree.read(file, _HEAD), file.size)
        new_at = find_pe_header(view) or parse_mz_header(view.read(0, MZ_SIZE)).new_offset
    except (OSError, MediashelfError):
        return None
    if not new_at or len(view.data) < min(file.size, _HEAD):
        return None  # a program for DOS, or not all was read
    if new_at + 4 > file.size:
        return False
    try:
        regions = _regions(view, new_at)
    except FormatError:
        return False if file.size <= _HEAD else None  # the tables themselves are cut
    if not regions:
        return None
    return all(region.offset + region.needed_size <= file.size for region in regions)


def _regions(view: _Start, start: int) -> list[Region]:
    mark = view.read(start, 4)
    if mark == b"PE\0\0":
        return list(read_portable_executable(view, start).regions)
    if mark[:2] == b"NE":
        return read_ne_regions(view, start)
    return read_le_regions(view, start) if mark[:2] == b"LE" else []
