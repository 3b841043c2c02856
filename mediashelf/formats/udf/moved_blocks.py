"""Where the blocks of a partition are that are not in a row: written once, spared, or in a file.

Layouts as the Linux kernel 6.1 has them (fs/udf/osta_udf.h, with clauses of UDF 2.60; super.c
and partition.c). On a medium that is written once, blocks are numbered through a table (see
:mod:`.allocation_table`). On one that wears out, packets that fail are replaced by spare ones,
which the sparing tables list (2.2.12). The metadata partition is a file of another one (2.2.10).
"""

from __future__ import annotations

import struct
from array import array
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from mediashelf.formats.fields import View
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.tags import verify_tag
from mediashelf.formats.udf.volume_records import PartitionDescriptor, PartitionMap
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, Extent

LARGEST_TABLE = 16 << 20  # bytes; a DVD has two million blocks

_NOT_ALLOCATED = 0xFFFFFFFF
_SPARING_TAG = frozenset({0})
_SPARING_IDENTIFIER = b"*UDF Sparing Table"
_FIRST_UNUSED = 0xFFFFFFF0  # entries from here on replace nothing


class VirtualBlocks(NamedTuple):
    """The block in the partition of each virtual block."""

    blocks: array[int]

    def lbas(self, partition: PartitionDescriptor, first: int, count: int) -> list[int] | None:
        """Return where blocks are, or None where one is not allocated."""
        found = self.blocks[first : first + count]
        if len(found) < count or _NOT_ALLOCATED in found:
            return None
        return [partition.start_lba + block for block in found]


class SparedBlocks(NamedTuple):
    """The packets that were replaced: by their first block, the LBA of the spare one."""

    packet_length: int
    spares: dict[int, int]

    def lbas(self, partition: PartitionDescriptor, first: int, count: int) -> list[int] | None:
        """Return where blocks are, or None where one is outside the partition."""
        if first + count > partition.block_count:
            return None
        found = []
        for block in range(first, first + count):
            inside = block % self.packet_length
            spare = self.spares.get(block - inside)
            found.append(partition.start_lba + block if spare is None else spare + inside)
        return found


def joined_blocks(lbas: Sequence[int], size: int, block_size: int) -> list[Extent]:
    """Return the blocks of ``size`` bytes as extents; blocks in a row are one."""
    extents: list[Extent] = []
    for number, lba in enumerate(lbas):
        length = min(block_size, size - number * block_size)
        last = extents[-1] if extents else None
        if last is not None and last.lba + last.size // block_size == lba:
            extents[-1] = Extent(last.lba, last.size + length)
        else:
            extents.append(Extent(lba, length))
    return extents


def blocks_within(
    extents: Sequence[Extent], block: int, size: int, block_size: int
) -> list[Extent] | None:
    """Return the places of ``size`` bytes from ``block`` of a file with these extents.

    None where the file ends before.
    """
    skip = block * block_size
    pieces: list[Extent] = []
    for extent in extents:
        if skip >= extent.size:
            skip -= extent.size
            continue
        length = min(extent.size - skip, size)
        lba = HOLE if extent.lba == HOLE else extent.lba + skip // block_size
        pieces.append(Extent(lba, length))
        skip, size = 0, size - length
        if size <= 0:
            return pieces
    return None


def read_sparing_table(
    view: View, row: PartitionMap, block_size: int, log: ProblemLog
) -> SparedBlocks | None:
    """Return what the first sparing table that is good says, as the Linux kernel has it.

    None where none is; what is wrong with each goes to the log then. Where one is, a copy that
    is damaged or says something else is one finding.
    """
    told = ProblemLog()
    first: SparedBlocks | None = None
    others: list[int] = []
    for lba in row.tables if row.packet_length else ():
        count = -(-min(row.table_size, LARGEST_TABLE) // block_size)
        data = view.read(lba * block_size, count * block_size)
        is_good = verify_tag(
            data, lba, _SPARING_TAG, "sparing table", told, offset=lba * block_size
        )
        is_good = is_good and data[17 : 17 + len(_SPARING_IDENTIFIER)] == _SPARING_IDENTIFIER
        table = SparedBlocks(row.packet_length, dict(_replaced_packets(data))) if is_good else None
        if first is None and table is not None:
            first = table
        elif table is None or table != first:
            others.append(lba)
    if first is None:
        log.extend(told)
        return None
    for lba in others:
        log.add(
            "udf-sparing-tables",
            f"LBA {lba * block_size // SECTOR_SIZE}",
            "a copy of the sparing table is damaged, or is not like the first good one, which "
            "was read",
            offset=lba * block_size,
            length=row.table_size,
            expected="the same table in every copy",
        )
    return first


def _replaced_packets(data: bytes) -> Iterator[tuple[int, int]]:
    count = int.from_bytes(data[48:50], "little")
    entries = data[56 : 56 + 8 * count]
    for original, spare in struct.iter_unpack("<II", entries[: len(entries) // 8 * 8]):
        if original >= _FIRST_UNUSED:
            return
        yield original, spare
