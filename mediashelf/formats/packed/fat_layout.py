"""Where all is on a FAT12 or FAT16 volume, by its boot sector, or by its size where it has none.

============  =====  ==========================================================
boot sector   11     bytes a sector (2), sectors a cluster (1), reserved sectors (2),
                     tables (1), entries of the top folder (2), sectors in all (2),
                     media (1), sectors a table (2)
              32     sectors in all, where the 2 bytes are 0 (4)
============  =====  ==========================================================

Numbers are little-endian. The boot sector is that of Microsoft KB Q140418, the parameters of
disks without one are those of KB Q75131.
"""

from __future__ import annotations

import struct

from msgspec import Struct

from mediashelf.formats.fields import View
from mediashelf.formats.packed.fat_folders import ENTRY_SIZE

FIRST_CLUSTER = 2
_SECTOR_SIZE = 512
_MOST_CLUSTERS_12 = 4084
_LONGEST_TABLE = 256  # sectors: 65,536 clusters of 16 bits

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


class FatLayout(Struct, frozen=True):
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
        entries = (self.cluster_count + FIRST_CLUSTER) * self.bits
        number = int.from_bytes(table[: -(-entries // 8)], "little")
        return number % (1 << entries) >> FIRST_CLUSTER * self.bits

    @property
    def top_entries(self) -> int:
        """How many entries the top folder has room for."""
        return self.top_size // ENTRY_SIZE

    @property
    def usual_top_entries(self) -> int:
        """How many it has on disks of this size, or on FAT16; of others what whole sectors hold."""
        if self.total_size in _DISKS:
            usual = _DISKS[self.total_size][2]
            others = _ANY_TOP_ENTRIES, _OTHER_TOP_ENTRIES.get(self.total_size)
            return self.top_entries if self.top_entries in others else usual
        if self.bits == 16:
            return _ANY_TOP_ENTRIES
        per_sector = _SECTOR_SIZE // ENTRY_SIZE
        return -(-self.top_entries // per_sector) * per_sector

    @property
    def is_known_disk(self) -> bool:
        """Whether a published table has the size of the disk."""
        return self.total_size in _DISKS


def read_layout(view: View, offset: int) -> FatLayout | None:
    """Return the layout of the volume that begins at ``offset``, or None where there is none."""
    layout = _parse_parameters(view.read(offset, _SECTOR_SIZE), view.size - offset)
    return _known_size(view) if layout is None and not offset else layout


def _parse_parameters(sector: bytes, size: int) -> FatLayout | None:
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


def _known_size(view: View) -> FatLayout | None:
    """Return the layout of a disk that is older than parameters in boot sectors."""
    if view.size not in _WITHOUT_PARAMETERS:
        return None
    per_cluster, per_table, entries, media = _DISKS[view.size]
    if view.read(_SECTOR_SIZE, 3) != bytes([media, 0xFF, 0xFF]):
        return None
    return _layout(view.size // _SECTOR_SIZE, per_cluster, 1, 2, entries, per_table)


def _layout(
    total: int, per_cluster: int, reserved: int, tables: int, entries: int, per_table: int
) -> FatLayout | None:
    top_start = reserved + tables * per_table
    data_start = top_start + -(-entries * ENTRY_SIZE // _SECTOR_SIZE)
    if total <= data_start:
        return None
    return FatLayout(
        cluster_size=per_cluster * _SECTOR_SIZE,
        table_start=reserved * _SECTOR_SIZE,
        table_size=per_table * _SECTOR_SIZE,
        top_start=top_start * _SECTOR_SIZE,
        top_size=entries * ENTRY_SIZE,
        data_start=data_start * _SECTOR_SIZE,
        total_size=total * _SECTOR_SIZE,
        cluster_count=(total - data_start) // per_cluster,
    )
