"""Where everything goes on the disc, sector by sector.

::

    0–15  system area, zeros          then  path tables L and M, ISO then Joliet
    16    primary volume descriptor         directories, ISO then Joliet
    17    boot record (only to boot)        boot catalog (only to boot)
    …     Joliet volume descriptor          contents: the boot image first, the index
    …     descriptor set terminator         page last; then zeros up to the minimum

A sector has 2048 bytes, and so has a logical block here. Nothing is read or written.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mediashelf.building.naming_trees import Directory, NamedTrees
from mediashelf.building.tree import Content, DiscFile
from mediashelf.formats.volume import SECTOR_SIZE

FIRST_DESCRIPTOR = 16  # ECMA-119 6.2.1
BOOT_RECORD = 17  # El Torito 1.0, 2.0

MINIMUM_SECTORS = 300
"""The emulated drive refuses shorter discs (Linux 6.12, storage_common.c)."""

MAX_DIRECTORIES = 0xFFFF
"""Directories that the 16-bit parent number of a path table can tell apart (ECMA-119 9.4.4)."""

_RECORD = 33  # bytes of a directory record before its identifier (ECMA-119 9.1)
_PATH_TABLE_RECORD = 8  # bytes of a path table record before its identifier (9.4)


@dataclass(slots=True)
class TreePlaces:
    """One tree with its places: directories in path table order, two path tables."""

    directories: list[Directory]
    path_table_size: int
    path_table_l: int = 0
    path_table_m: int = 0

    @property
    def root(self) -> Directory:
        """The first directory."""
        return self.directories[0]


@dataclass(slots=True)
class Layout:
    """A whole disc with its places; ``contents`` stand in the order of their sectors."""

    iso: TreePlaces
    joliet: TreePlaces
    contents: list[Content]
    boot_catalog: int = 0  # 0: does not boot
    first_content: int = 0
    used_sectors: int = 0

    @property
    def joliet_descriptor(self) -> int:
        """The sector of the Joliet volume descriptor."""
        return BOOT_RECORD + bool(self.boot_catalog)

    @property
    def sectors(self) -> int:
        """Sectors of the disc with the padding that an emulated drive needs."""
        return max(self.used_sectors, MINIMUM_SECTORS)

    @property
    def size(self) -> int:
        """Bytes of the disc."""
        return self.sectors * SECTOR_SIZE


def lay_out(trees: NamedTrees, *, boot: Content | None, index: DiscFile | None) -> Layout:
    """Give every directory and every content its sector."""
    iso, joliet = _places(trees.iso), _places(trees.joliet)
    contents = _in_order(iso, boot, index)
    layout = Layout(iso, joliet, contents)
    free = FIRST_DESCRIPTOR + 3 + (boot is not None)
    for tree in (iso, joliet):
        tree.path_table_l = free
        tree.path_table_m = free + sectors_for(tree.path_table_size)
        free = tree.path_table_m + sectors_for(tree.path_table_size)
    for directory in (*iso.directories, *joliet.directories):
        directory.lba = free
        free += sectors_for(directory.size)
    if boot is not None:
        layout.boot_catalog = free
        free += 1
    layout.first_content = free
    for content in contents:
        content.lba = free
        free += sectors_for(content.size)
    # Empty files take no sector, but a place outside the volume would be none.
    layout.used_sectors = max(free, layout.first_content + 1)
    for file in _iter_files(iso):
        if not file.content.size:
            file.content.lba = layout.first_content
    return layout


def _places(root: Directory) -> TreePlaces:
    directories = list(_iter_numbered(root))
    for directory in directories:
        directory.size = _records_size(directory)
    return TreePlaces(directories, sum(path_table_record_size(d.identifier) for d in directories))


def _iter_numbered(root: Directory) -> Iterator[Directory]:
    """Number the directories and yield them as path tables list them (ECMA-119 6.9.1).

    That is by level, parent's number and identifier; in a Joliet tree this can
    differ from the order of records, which looks at extensions.
    """
    level = [root]
    number = 0
    while level:
        for directory in level:
            number += 1
            directory.number = number
            yield directory
        level = [
            below
            for directory in level
            for below in sorted(directory.iter_directories(), key=lambda below: below.identifier)
        ]


def _records_size(directory: Directory) -> int:
    """Return the bytes of a directory's sectors; no record crosses a border (ECMA-119 6.8.1.1)."""
    full_sectors, used = 0, 2 * record_size(b"\x00")
    for child in directory.children:
        size = record_size(child.identifier)
        if used + size > SECTOR_SIZE:
            full_sectors, used = full_sectors + 1, 0
        used += size
    return (full_sectors + 1) * SECTOR_SIZE


def _in_order(iso: TreePlaces, boot: Content | None, index: DiscFile | None) -> list[Content]:
    """Return every content once: boot image, files as the ISO tree lists them, index page."""
    last = index.content if index is not None else None
    ordered = {id(boot): boot} if boot is not None and boot.size else {}
    for file in _iter_files(iso):
        if file.content.size and file.content is not last:
            ordered.setdefault(id(file.content), file.content)
    return [*ordered.values()] + ([last] if last is not None else [])


def _iter_files(tree: TreePlaces) -> Iterator[DiscFile]:
    for directory in tree.directories:
        for child in directory.children:
            if isinstance(child.item, DiscFile):
                yield child.item


def record_size(identifier: bytes) -> int:
    """Return the bytes of a directory record, always even (ECMA-119 9.1.1 and 9.1.12)."""
    return (_RECORD + len(identifier) + 1) & ~1


def path_table_record_size(identifier: bytes) -> int:
    """Return the bytes of a path table record, always even (ECMA-119 9.4)."""
    return _PATH_TABLE_RECORD + len(identifier) + len(identifier) % 2


def sectors_for(size: int) -> int:
    """Return the whole sectors that ``size`` bytes take."""
    return -(-size // SECTOR_SIZE)
