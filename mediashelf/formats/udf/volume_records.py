"""What describes a UDF volume, as values: its partitions and their maps (ECMA-167 part 3).

Layouts, and what ``parse_*`` returns, are as in :mod:`.records`.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from mediashelf.formats.udf.fields import parse_dstring
from mediashelf.formats.udf.records import LongAddress, parse_long_address


class PartitionDescriptor(NamedTuple):
    """A partition of the volume (3/10.5)."""

    number: int
    start_lba: int
    block_count: int


NO_BLOCK = 0xFFFFFFFF
"""In place of a block's number: there is none."""


class PartitionMap(NamedTuple):
    """One row of the logical volume's partition maps (3/10.7; UDF 2.60 2.2.8 to 2.2.10).

    ``kind`` is ``plain``, ``metadata``, ``sparable``, ``virtual`` or ``unknown``;
    ``metadata_block`` and ``mirror_block`` are blocks of the partition that holds
    the metadata file; ``is_doubled`` says that the mirror file has blocks of its own, and the
    file at ``bitmap_block`` (:data:`NO_BLOCK`: none) which of them are free. Of a sparable one,
    ``packet_length`` is in blocks, ``table_size`` in bytes, and ``tables`` are the LBAs of the
    copies of its sparing table.
    """

    kind: str
    partition_number: int
    metadata_block: int = 0
    mirror_block: int = 0
    packet_length: int = 0
    table_size: int = 0
    tables: tuple[int, ...] = ()
    is_doubled: bool = False
    bitmap_block: int = NO_BLOCK


class LogicalVolume(NamedTuple):
    """The logical volume descriptor (3/10.6)."""

    label: str
    block_size: int
    revision: int  # binary coded: 0x0250 is 2.50
    file_set: LongAddress
    maps: tuple[PartitionMap, ...]
    integrity: tuple[int, int] = (0, 0)  # length in bytes and location of its sequence

    def plain_map(self, partition_number: int) -> int | None:
        """Return the number of the map that counts a partition's blocks as they are."""
        for number, row in enumerate(self.maps):
            if row.kind == "plain" and row.partition_number == partition_number:
                return number
        return None


def parse_partition_descriptor(data: bytes) -> PartitionDescriptor | None:
    """Return the partition's number, first LBA and length in blocks."""
    if len(data) < 196:
        return None
    (number,) = struct.unpack_from("<H", data, 22)
    start, count = struct.unpack_from("<II", data, 188)
    return PartitionDescriptor(number, start, count)


def parse_logical_volume(data: bytes) -> LogicalVolume | None:
    """Return the logical volume, with at most as many partition maps as fit its block."""
    if len(data) < 440:
        return None
    (block_size,) = struct.unpack_from("<I", data, 212)
    (revision,) = struct.unpack_from("<H", data, 240)
    table_length, map_count = struct.unpack_from("<II", data, 264)
    table = data[440 : 440 + table_length]
    maps: list[PartitionMap] = []
    at = 0
    while at + 2 <= len(table) and len(maps) < min(map_count, 64):
        length = table[at + 1]
        if length < 6 or at + length > len(table):
            break
        maps.append(_parse_partition_map(table[at : at + length]))
        at += length
    return LogicalVolume(
        parse_dstring(data[84:212]),
        block_size,
        revision,
        parse_long_address(data, 248),
        tuple(maps),
        struct.unpack_from("<II", data, 432),
    )


def _parse_partition_map(data: bytes) -> PartitionMap:
    if data[0] == 1:
        return PartitionMap("plain", struct.unpack_from("<H", data, 4)[0])
    if data[0] != 2 or len(data) < 64:
        return PartitionMap("unknown", 0)
    (number,) = struct.unpack_from("<H", data, 38)
    identifier = data[5:28].rstrip(b"\0")
    if identifier == b"*UDF Metadata Partition":
        own, mirror, bitmap = struct.unpack_from("<III", data, 40)
        return PartitionMap(
            "metadata", number, own, mirror, is_doubled=bool(data[58] & 1), bitmap_block=bitmap
        )
    if identifier == b"*UDF Sparable Partition":
        packet_length, count, table_size = struct.unpack_from("<HBxI", data, 40)
        tables = struct.unpack_from("<4I", data, 48)[: min(count, 4)]
        return PartitionMap(
            "sparable",
            number,
            packet_length=packet_length,
            table_size=table_size,
            tables=tables,
        )
    if identifier == b"*UDF Virtual Partition":
        return PartitionMap("virtual", number)
    return PartitionMap("unknown", number)
