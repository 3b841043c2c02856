"""FAT12 and FAT16 volumes of floppies and small disks: chains of clusters, files and folders.

A table has 12 or 16 bits a cluster: 0 free, 0xFF8 or 0xFFF8 and up the last of a file. Tables
are from memory; an independent reader of such volumes confirms all in tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from mediashelf.formats.fields import View
from mediashelf.formats.packed.fat_folders import ENTRY_SIZE, FatEntry, is_own_entry, parse_folder
from mediashelf.formats.packed.fat_layout import FIRST_CLUSTER, FatLayout, read_layout

_MOST_FOLDER_CLUSTERS = 65_536
_BAD = {12: 0xFF7, 16: 0xFFF7}  # what a table says of a cluster that cannot be used


class FatVolume:
    """A volume that begins at ``offset`` of the view."""

    def __init__(self, view: View, offset: int, layout: FatLayout) -> None:
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
        return self._layout.top_entries

    @property
    def usual_top_entries(self) -> int:
        """How many it has on disks of this size, or on FAT16; of others what whole sectors hold."""
        return self._layout.usual_top_entries

    @property
    def is_known_disk(self) -> bool:
        """Whether a published table has the size of the disk."""
        return self._layout.is_known_disk

    def has_own_entry(self, folder: FatEntry) -> bool:
        """Whether a folder begins with its own entry, as every folder below the top does."""
        start = self._read_cluster(max(folder.cluster, FIRST_CLUSTER))[:ENTRY_SIZE]
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
        return self._read(self._layout.data_start + (cluster - FIRST_CLUSTER) * size, size)

    def count_strays(self, firsts: Iterable[int]) -> tuple[int, int]:
        """Return how many clusters in use belong to no file, and how many to more than one.

        ``firsts`` are the first clusters of all files and folders.
        """
        end, bad = FIRST_CLUSTER + self._layout.cluster_count, _BAD[self._layout.bits]
        reached: set[int] = set()
        shared: set[int] = set()
        for first in firsts:
            for cluster in self._chain(first, end):
                if cluster in reached:
                    shared.add(cluster)
                    break  # from here on all are those of the other
                reached.add(cluster)
        used = (one for one in range(FIRST_CLUSTER, end) if self._next(one) not in (0, bad))
        return len(set(used) - reached), len(shared)

    def _chain(self, cluster: int, most: int) -> Iterator[int]:
        end = FIRST_CLUSTER + self._layout.cluster_count
        seen: set[int] = set()
        while FIRST_CLUSTER <= cluster < end and cluster not in seen and len(seen) < most:
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
    layout = read_layout(view, offset)
    return None if layout is None else FatVolume(view, offset, layout)
