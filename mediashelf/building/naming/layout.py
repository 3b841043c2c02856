"""Where everything will be on the disc, sector by sector, before it is written.

::

    0–15  system area, zeros          then  path tables L and M, ISO then Joliet
    16    primary volume descriptor         directories, ISO then Joliet
    17    boot record (only to boot)        boot catalog (only to boot)
    …     Joliet volume descriptor          contents: the boot image first, then files
    …     descriptor set terminator         as the ISO tree lists them, level by level;
    …     one sector of zeros               zeros up to the minimum

A sector has 2048 bytes, and so has a logical block here. The disc is written from
this, and what two readers find on it is compared with this again. Nothing is read
or written here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from msgspec import Struct, field

from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.naming.trees import NamedTrees
from mediashelf.building.tree import Content, DiscFile
from mediashelf.formats.volume import SECTOR_SIZE

FIRST_DESCRIPTOR = 16  # ECMA-119 6.2.1

MINIMUM_SECTORS = 300
"""The emulated drive rejects shorter discs (Linux 6.12, storage_common.c)."""

MAX_DIRECTORIES = 0xFFFF
"""Directories that the 16-bit parent number of a path table can tell apart (ECMA-119 9.4.4)."""

_RECORD = 33  # bytes of a directory record before its identifier (ECMA-119 9.1)
_PATH_TABLE_RECORD = 8  # bytes of a path table record before its identifier (9.4)


class Layout(Struct):
    """A whole disc with its places; directories and contents are in the order of theirs.

    ``contents`` are those that are read from sources or made by us: the boot
    catalog is not among them. ``quick`` holds the digests by which the disc is read back,
    one for each content in their order, once they are written.
    """

    iso: list[PlannedDirectory]
    joliet: list[PlannedDirectory]
    contents: list[Content]
    used_sectors: int
    quick: bytearray = field(default_factory=bytearray)

    @property
    def sectors(self) -> int:
        """Sectors of the disc with the padding that an emulated drive needs."""
        return max(self.used_sectors, MINIMUM_SECTORS)

    @property
    def size(self) -> int:
        """Bytes of the disc."""
        return self.sectors * SECTOR_SIZE


def lay_out(trees: NamedTrees, *, boot: Content | None, catalog: Content | None) -> Layout:
    """Give every directory and every content its sector; empty files have none."""
    iso, joliet = (list(tree.iter_level_by_level()) for tree in (trees.iso, trees.joliet))
    # Primary, Joliet and boot descriptors, the terminator, and the sector after it.
    free = FIRST_DESCRIPTOR + 4 + (boot is not None)
    free += 2 * path_table_sectors(iso) + 2 * path_table_sectors(joliet)
    for tree in (iso, joliet):
        for number, directory in enumerate(tree, 1):  # ECMA-119 6.9.1
            directory.number = number
    for directory in (*iso, *joliet):
        directory.size = _records_size(directory)
        directory.lba = free
        free += sectors_for(directory.size)
    contents = _in_order(iso, boot, catalog)
    for content in ([catalog] if catalog else []) + contents:
        content.lba = free
        free += sectors_for(content.size)
    return Layout(iso, joliet, contents, free)


def _records_size(directory: PlannedDirectory) -> int:
    """Return the bytes of a directory's sectors; no record crosses a border (ECMA-119 6.8.1.1)."""
    full_sectors, used = 0, 2 * record_size(b"\0")
    for identifier in directory.identifiers():
        size = record_size(identifier)
        if used + size > SECTOR_SIZE:
            full_sectors, used = full_sectors + 1, 0
        used += size
    return (full_sectors + 1) * SECTOR_SIZE


def _in_order(
    directories: list[PlannedDirectory], boot: Content | None, catalog: Content | None
) -> list[Content]:
    """Return every content once: the boot image, then as the directories list them."""
    # Mostly few files share a place: only those that could come again are remembered.
    several = {id(file.content) for file in _iter_files(directories) if file.own.equal_to}
    ordered = [boot] if boot is not None else []
    several.update(map(id, ordered))
    met = set(map(id, ordered))
    for file in _iter_files(directories):
        content = file.content
        if not content.size or content is catalog:
            continue
        if id(content) in several:
            if id(content) in met:
                continue
            met.add(id(content))
        ordered.append(content)
    return ordered


def _iter_files(directories: list[PlannedDirectory]) -> Iterator[DiscFile]:
    for directory in directories:
        for item in directory.items:
            if isinstance(item, DiscFile):
                yield item


def record_size(identifier: bytes) -> int:
    """Return the bytes of a directory record, always even (ECMA-119 9.1.1 and 9.1.12)."""
    return (_RECORD + len(identifier) + 1) & ~1


def path_table_sectors(directories: Iterable[PlannedDirectory]) -> int:
    """Return the sectors of one path table: always pairs of them (own behaviour)."""
    size = sum(path_table_record_size(directory.identifier) for directory in directories)
    return 2 * -(-size // (2 * SECTOR_SIZE))


def path_table_record_size(identifier: bytes) -> int:
    """Return the bytes of a path table record, always even (ECMA-119 9.4)."""
    return _PATH_TABLE_RECORD + len(identifier) + len(identifier) % 2


def sectors_for(size: int) -> int:
    """Return the whole sectors that ``size`` bytes take."""
    return -(-size // SECTOR_SIZE)
