"""The virtual allocation table: which block stands for which, on a medium that is written once.

Layouts as the Linux kernel 6.1 has them (fs/udf/osta_udf.h, with clauses of UDF 2.60: 2.2.11;
in 1.50 2.2.10; super.c). The table's file entry is in the last block that was written.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Mapping

from mediashelf.formats.fields import View, end_of_recorded
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.moved_blocks import LARGEST_TABLE, VirtualBlocks
from mediashelf.formats.udf.records import EXTENT_RECORDED, LongAddress
from mediashelf.formats.udf.space import UdfSpace
from mediashelf.formats.udf.volume_records import LogicalVolume, PartitionDescriptor, PartitionMap

_PLACES = 4  # last blocks in which the table is looked for, as the Linux kernel does
_NEW_FILE_TYPE = 0xF8  # of the table in 2.00 and later; before, it is that of any other file
_OLD_IDENTIFIER = b"*UDF Virtual Alloc Tbl"
_OLD_TAIL = 36  # an identifier of 32 bytes, and the block of the table before
_NAME = "virtual allocation table"


def find_allocation_tables(
    view: View, volume: LogicalVolume, partitions: Mapping[int, PartitionDescriptor]
) -> dict[PartitionMap, VirtualBlocks | None]:
    """Return the table of each partition map that needs one; None where there is none.

    ``partitions`` are those of the volume by their numbers.
    """
    return {
        row: _find_table(view, volume, partitions[row.partition_number])
        for row in volume.maps
        if row.kind == "virtual" and row.partition_number in partitions
    }


def _find_table(
    view: View, volume: LogicalVolume, partition: PartitionDescriptor
) -> VirtualBlocks | None:
    plain = volume.plain_map(partition.number)
    if plain is None:
        return None
    # Nothing is recorded beyond the end, whatever the partition says.
    count = end_of_recorded(view, volume.block_size) - partition.start_lba
    recorded = partition._replace(block_count=max(count, 0))
    for block in range(count - 1, -1, -1)[:_PLACES]:
        # A table is not found through itself, and what is wrong on the way is no fault of the disc.
        space = UdfSpace(view, volume, [recorded], ProblemLog(), dict.fromkeys(volume.maps))
        icb = LongAddress(EXTENT_RECORDED, volume.block_size, block, plain)
        found = space.read_file_entry(icb, _NAME)
        if found is None or found[0].size > LARGEST_TABLE:
            continue
        extents = space.extents(found[0], icb, found[1], _NAME)
        data = space.read_extents(extents, found[0].size) if space.is_complete else b""
        table = _parse_table(data, found[0].file_type)
        if table is not None:
            return table
    return None


def _parse_table(data: bytes, file_type: int) -> VirtualBlocks | None:
    """Return the virtual allocation table in a file of this type, or None where it is none."""
    if file_type == _NEW_FILE_TYPE:
        entries = data[int.from_bytes(data[:2], "little") :] if len(data) >= 2 else b""
    else:
        tail = data[-_OLD_TAIL:]
        if len(data) < _OLD_TAIL or tail[1 : 1 + len(_OLD_IDENTIFIER)] != _OLD_IDENTIFIER:
            return None
        entries = data[:-_OLD_TAIL]
    blocks = array("I", entries[: len(entries) // 4 * 4])
    if sys.byteorder == "big":
        blocks.byteswap()
    return VirtualBlocks(blocks)
