"""FAT12 and FAT16 volumes of floppies and small disks: where all is, and chains of clusters.

============  =====  ==========================================================
boot sector   11     bytes a sector (2), sectors a cluster (1), reserved sectors (2),
                     tables (1), entries of the top folder (2), sectors in all (2),
                     media (1), sectors a table (2)
              32     sectors in all, where the 2 bytes are 0 (4)
table                12 or 16 bits a cluster: 0 free, 0xFF8 or 0xFFF8 and up the last of a file
============  =====  ==========================================================

Numbers are little-endian. The boot sector is that of Microsoft KB Q140418, the parameters of
disks without one are those of KB Q75131. Tables are from memory; an independent reader of such
volumes confirms all in tests.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator

from msgspec import Struct

from mediashelf.formats.fields import View
from mediashelf.formats.packed.fat_folders import ENTRY_SIZE, FatEntry, is_own_entry, parse_folder

_SECTOR_SIZE = 512
_FIRST_CLUSTER = 2
_MOST_CLUSTERS_12 = 4084
_LONGEST_TABLE = 256  # sectors: 65,536 clusters of 16 bits
_MOST_FOLDER_CLUSTERS = 65_536
_BAD = {12: 0xFF7, 16: 0xFFF7}  # what a table says of a cluster that cannot be used

# size of the image: sectors a cluster, sectors a table, top entries, media (KB Q75131)
_DISKS = {
    163_840: (1, 1, 64, 0xFE),
    184_320: (1, 2, 64, 0xFC),
    327_680: (2, 1, 112, 0xFF),
    368_640: (2, 2, 112, 0xFD),
    737_280: (2, 3, 112, 0xF9),
    1_228_800: (1, 7, 224, 0xF9),
    1_474_560: (1, 9, 224, 0xF0),
    2_949_120: (2, 9, 240, 0xF0),
}
# What mkfs.fat 4.2 (tried) gives the first, and any that it takes for no floppy: FAT16 always.
_OTHER_TOP_ENTRIES, _ANY_TOP_ENTRIES = {2_949_120: 224}, 512
_WITHOUT_PARAMETERS = frozenset({163_840, 184_320, 327_680, 368_640})


class _FatLayout(Struct, frozen=True):
    """Where things are, in bytes."""

    cluster_size: int
    table_start: int
    table_size: int
    top_start: int
    top_size: int
    data_start: int
    total_size: int
    cluster_count: int

    @property
    def bits(self) -> int:
        return 12 if self.cluster_count <= _MOST_CLUSTERS_12 else 16

    def clusters_of(self, table: bytes) -> int:
        """Return what a table says of the clusters, as one number; the rest of it stands for none.

        The two entries before say what kind of disk it is, and how it was left.
        """
        entries = (self.cluster_count + _FIRST_CLUSTER) * self.bits
        number = int.from_bytes(table[: -(-entries // 8)], "little")
        return number % (1 << entries) >> _FIRST_CLUSTER * self.bits


class FatVolume:
    """A volume that begins at ``offset`` of the view."""

    def __init__(self, view: View, offset: int, layout: _FatLayout) -> None:
        self._view, self._offset, self._layout = view, offset, layout
        self._table = self._read(layout.table_start, layout.table_size)

    @property
    def size(self) -> int:
        """The bytes to the end of the last cluster."""
        layout = self._layout
        return layout.data_start + layout.cluster_count * layout.cluster_size

    @property
    def image_size(self) -> int:
        """The bytes that there are of it, or more."""
        return self._view.size - self._offset

    @property
    def is_whole(self) -> bool:
        """Whether all its clusters are there."""
        return self.size <= self.image_size

    @property
    def tables_agree(self) -> bool:
        """Whether all tables say the same of each cluster."""
        layout = self._layout
        starts = range(layout.table_start, layout.top_start, layout.table_size)
        tables = (self._read(start, layout.table_size) for start in starts)
        return len(set(map(layout.clusters_of, tables))) == 1

    @property
    def top_entries(self) -> int:
        """How many entries the top folder has room for."""
        return self._layout.top_size // ENTRY_SIZE

    @property
    def usual_top_entries(self) -> int:
        """How many it has on disks of this size, or on FAT16; of others what whole sectors hold."""
        if self._layout.total_size in _DISKS:
            usual = _DISKS[self._layout.total_size][2]
            others = _ANY_TOP_ENTRIES, _OTHER_TOP_ENTRIES.get(self._layout.total_size)
            return self.top_entries if self.top_entries in others else usual
        if self._layout.bits == 16:
            return _ANY_TOP_ENTRIES
        per_sector = _SECTOR_SIZE // ENTRY_SIZE
        return -(-self.top_entries // per_sector) * per_sector

    @property
    def is_known_disk(self) -> bool:
        """Whether a published table has the size of the disk."""
        return self._layout.total_size in _DISKS

    def has_own_entry(self, folder: FatEntry) -> bool:
        """Whether a folder begins with its own entry, as every folder below the top does."""
        start = self._read_cluster(max(folder.cluster, _FIRST_CLUSTER))[:ENTRY_SIZE]
        return is_own_entry(start)

    def _read(self, start: int, size: int) -> bytes:
        return self._view.read(self._offset + start, size)

    def top(self) -> Iterator[FatEntry]:
        """Yield what the top folder holds."""
        return parse_folder(self._read(self._layout.top_start, self._layout.top_size))

    def folder(self, entry: FatEntry) -> Iterator[FatEntry]:
        """Yield what another folder holds; its own and its parent's entry are left out."""
        clusters = self._chain(entry.cluster, _MOST_FOLDER_CLUSTERS)
        return parse_folder(b"".join(self._read_cluster(cluster) for cluster in clusters))

    def read(self, name: str, limit: int) -> bytes | None:
        """Return the first ``limit`` bytes of a file of the top folder, None where there is none.

        A chain of clusters that leaves the volume or comes back to itself ends there.
        """
        for entry in self.top():
            if entry.name.upper() == name.upper() and not entry.is_folder:
                start = entry._replace(size=min(limit, entry.size))
                return b"".join(self.iter_file(start))
        return None

    def iter_file(self, entry: FatEntry) -> Iterator[bytes]:
        """Yield the bytes of a file by clusters, fewer than its size where its chain ends early."""
        left = entry.size
        for cluster in self._chain(entry.cluster, -(-left // self._layout.cluster_size)):
            piece = self._read_cluster(cluster)[:left]
            left -= len(piece)
            yield piece

    def _read_cluster(self, cluster: int) -> bytes:
        size = self._layout.cluster_size
        return self._read(self._layout.data_start + (cluster - _FIRST_CLUSTER) * size, size)

    def count_strays(self, firsts: Iterable[int]) -> tuple[int, int]:
        """Return how many clusters in use belong to no file, and how many to more than one.

        ``firsts`` are the first clusters of all files and folders.
        """
        end, bad = _FIRST_CLUSTER + self._layout.cluster_count, _BAD[self._layout.bits]
        reached: set[int] = set()
        shared: set[int] = set()
        for first in firsts:
            for cluster in self._chain(first, end):
                if cluster in reached:
                    shared.add(cluster)
                    break  # from here on all are those of the other
                reached.add(cluster)
        used = (one for one in range(_FIRST_CLUSTER, end) if self._next(one) not in (0, bad))
        return len(set(used) - reached), len(shared)

    def _chain(self, cluster: int, most: int) -> Iterator[int]:
        end = _FIRST_CLUSTER + self._layout.cluster_count
        seen: set[int] = set()
        while _FIRST_CLUSTER <= cluster < end and cluster not in seen and len(seen) < most:
            seen.add(cluster)
            yield cluster
            cluster = self._next(cluster)

    def _next(self, cluster: int) -> int:
        """Return what the table says of a cluster: the next one, or that there is none."""
        if self._layout.bits == 16:
            return int.from_bytes(self._table[2 * cluster : 2 * cluster + 2], "little")
        at = cluster + cluster // 2
        pair = int.from_bytes(self._table[at : at + 2].ljust(2, b"\0"), "little")
        return pair >> 4 if cluster % 2 else pair & 0xFFF


def read_fat(view: View, offset: int = 0) -> FatVolume | None:
    """Return the volume that begins at ``offset``, or None where there is none."""
    layout = _parse_parameters(view.read(offset, _SECTOR_SIZE), view.size - offset)
    if layout is None and not offset:
        layout = _known_size(view)
    return None if layout is None else FatVolume(view, offset, layout)


def _parse_parameters(sector: bytes, size: int) -> _FatLayout | None:
    """Return what the boot sector says, None where it cannot be one of a FAT12 or FAT16 volume."""
    if len(sector) < _SECTOR_SIZE or sector[0] not in (0xEB, 0xE9, 0x00, 0x60, 0x69):
        return None
    sector_size, per_cluster, reserved, tables, entries, total, media, per_table = (
        struct.unpack_from("<HBHBHHBH", sector, 11)
    )
    total = total or struct.unpack_from("<I", sector, 32)[0]
    is_fat = (
        sector_size == _SECTOR_SIZE
        and per_cluster in (1, 2, 4, 8, 16, 32, 64, 128)
        and 1 <= reserved <= 64
        and tables in (1, 2)
        and 1 <= entries <= 4096
        and (media == 0xF0 or media >= 0xF8)
        and 1 <= per_table <= _LONGEST_TABLE
        and total * _SECTOR_SIZE <= 2 * size
    )
    return _layout(total, per_cluster, reserved, tables, entries, per_table) if is_fat else None


def _known_size(view: View) -> _FatLayout | None:
    """Return the layout of a disk that is older than parameters in boot sectors."""
    if view.size not in _WITHOUT_PARAMETERS:
        return None
    per_cluster, per_table, entries, media = _DISKS[view.size]
    if view.read(_SECTOR_SIZE, 3) != bytes([media, 0xFF, 0xFF]):
        return None
    return _layout(view.size // _SECTOR_SIZE, per_cluster, 1, 2, entries, per_table)


def _layout(
    total: int, per_cluster: int, reserved: int, tables: int, entries: int, per_table: int
) -> _FatLayout | None:
    top_start = reserved + tables * per_table
    data_start = top_start + -(-entries * ENTRY_SIZE // _SECTOR_SIZE)
    if total <= data_start:
        return None
    return _FatLayout(
        cluster_size=per_cluster * _SECTOR_SIZE,
        table_start=reserved * _SECTOR_SIZE,
        table_size=per_table * _SECTOR_SIZE,
        top_start=top_start * _SECTOR_SIZE,
        top_size=entries * ENTRY_SIZE,
        data_start=data_start * _SECTOR_SIZE,
        total_size=total * _SECTOR_SIZE,
        cluster_count=(total - data_start) // per_cluster,
    )
