"""The files in the top folder of a floppy image with a FAT12 volume, as boot discs carry them.

============  =====  ==========================================================
boot sector   11     bytes a sector (2), sectors a cluster (1), reserved sectors (2),
                     tables (1), entries of the top folder (2), sectors in all (2),
                     media (1), sectors a table (2)
entry         0      name (8), extension (3), attributes (1)
              26     first cluster (2), size in bytes (4)
table                12 bits a cluster: 0x000 free, 0xFF8 and up the last of a file
============  =====  ==========================================================

Numbers are little-endian. The boot sector is that of Microsoft KB Q140418; folder and
table are from memory. An independent reader of such volumes confirms all in tests.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from mediashelf.formats.fields import View

_SECTOR_SIZE = 512
_MOST_ENTRIES = 512
_LONGEST_TABLE = 24  # sectors; 4,084 clusters of 12 bits need no more than 12

_ENTRY_SIZE = 32
_VOLUME_LABEL_OR_FOLDER = 0x18
_DELETED = 0xE5
_FIRST_CLUSTER = 2
_LAST_CLUSTERS = 0xFF8


@dataclass(frozen=True, slots=True)
class FloppyFile:
    """One file of the top folder; ``name`` is in capitals: ``CONFIG.SYS``."""

    name: str
    size: int
    cluster: int


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where things are; sizes in bytes."""

    cluster_size: int
    table_start: int
    table_size: int
    top_start: int
    top_size: int
    data_start: int
    size: int


class Floppy:
    """A FAT12 volume: its files, and their bytes."""

    def __init__(self, view: View, offset: int, layout: _Layout) -> None:
        self._view, self._offset, self._layout = view, offset, layout
        self._table = view.read(offset + layout.table_start, layout.table_size)
        self.files = tuple(_parse_folder(view.read(offset + layout.top_start, layout.top_size)))

    def read(self, name: str, limit: int) -> bytes | None:
        """Return the first ``limit`` bytes of a file, None where it does not exist.

        A chain of clusters that leaves the volume or comes back to itself ends
        there, and the bytes with it.
        """
        file = next((one for one in self.files if one.name == name.upper()), None)
        if file is None:
            return None
        wanted = min(limit, file.size)
        data = b""
        for cluster in self._chain(file.cluster):
            if len(data) >= wanted:
                break
            data += self._read_cluster(cluster)
        return data[:wanted]

    def _read_cluster(self, cluster: int) -> bytes:
        layout = self._layout
        start = layout.data_start + (cluster - _FIRST_CLUSTER) * layout.cluster_size
        return self._view.read(
            self._offset + start, min(layout.cluster_size, max(layout.size - start, 0))
        )

    def _chain(self, cluster: int) -> Iterator[int]:
        seen: set[int] = set()
        while _FIRST_CLUSTER <= cluster < _LAST_CLUSTERS and cluster not in seen:
            seen.add(cluster)
            yield cluster
            at = cluster + cluster // 2
            pair = int.from_bytes(self._table[at : at + 2].ljust(2, b"\0"), "little")
            cluster = pair >> 4 if cluster % 2 else pair & 0xFFF


def read_floppy(view: View, offset: int = 0) -> Floppy | None:
    """Return the volume that begins at ``offset``, or None."""
    layout = _parse_layout(view.read(offset, _SECTOR_SIZE))
    return None if layout is None else Floppy(view, offset, layout)


def _parse_layout(sector: bytes) -> _Layout | None:
    if len(sector) < _SECTOR_SIZE:
        return None
    size, per_cluster, reserved, tables, entries, total, _, per_table = struct.unpack_from(
        "<HBHBHHBH", sector, 11
    )
    is_floppy = (
        size == _SECTOR_SIZE
        and per_cluster in (1, 2, 4, 8)
        and 1 <= reserved <= 64
        and tables in (1, 2)
        and 1 <= entries <= _MOST_ENTRIES
        and total
        and 1 <= per_table <= _LONGEST_TABLE
    )
    if not is_floppy:
        return None
    top_start = (reserved + tables * per_table) * _SECTOR_SIZE
    top_size = entries * _ENTRY_SIZE
    return _Layout(
        cluster_size=per_cluster * _SECTOR_SIZE,
        table_start=reserved * _SECTOR_SIZE,
        table_size=per_table * _SECTOR_SIZE,
        top_start=top_start,
        top_size=top_size,
        data_start=top_start + -(-top_size // _SECTOR_SIZE) * _SECTOR_SIZE,
        size=total * _SECTOR_SIZE,
    )


def _parse_folder(data: bytes) -> Iterator[FloppyFile]:
    for start in range(0, len(data) - _ENTRY_SIZE + 1, _ENTRY_SIZE):
        entry = data[start : start + _ENTRY_SIZE]
        if entry[0] == 0:
            return  # nothing was ever written from here on
        if entry[0] == _DELETED or entry[11] & _VOLUME_LABEL_OR_FOLDER:
            continue
        stem, extension = (part.decode("cp437").rstrip(" ") for part in (entry[:8], entry[8:11]))
        yield FloppyFile(
            (f"{stem}.{extension}" if extension else stem).upper(),
            int.from_bytes(entry[28:32], "little"),
            int.from_bytes(entry[26:28], "little"),
        )
