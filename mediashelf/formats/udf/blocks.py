"""Where a UDF volume's blocks are in the image: partitions and their maps."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence

from mediashelf.formats.fields import View, read_sector
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.moved_blocks import (
    SparedBlocks,
    VirtualBlocks,
    blocks_within,
    joined_blocks,
    read_sparing_table,
)
from mediashelf.formats.udf.records import LongAddress
from mediashelf.formats.udf.sequence import verify_terminator
from mediashelf.formats.udf.tags import verify_tag
from mediashelf.formats.udf.volume_records import LogicalVolume, PartitionDescriptor, PartitionMap
from mediashelf.formats.volume import Extent


class UdfBlocks(ABC):
    """Turns addresses within a logical volume into places in the image.

    ``tables`` are the virtual allocation tables, by the partition maps that need them.
    Problems go to ``log``. ``unread`` names the kinds of partition map that some
    address led to and that are not followed; ``is_complete`` turns False when
    anything could not be read.
    """

    def __init__(
        self,
        view: View,
        volume: LogicalVolume,
        partitions: Sequence[PartitionDescriptor],
        log: ProblemLog,
        tables: Mapping[PartitionMap, VirtualBlocks | None] | None = None,
    ) -> None:
        self.view, self.log = view, log
        self.block_size = volume.block_size
        self._volume, self._maps = volume, volume.maps
        self._partitions = {partition.number: partition for partition in partitions}
        self._tables: dict[PartitionMap, VirtualBlocks | SparedBlocks | None] = {**(tables or {})}
        self.unread: set[str] = set()
        self.is_complete = True

    def problem(self, rule: str, where: str, message: str) -> None:
        """Log a problem that makes the listing incomplete."""
        self.is_complete = False
        self.log.add(rule, where, message)

    def read_record(self, address: LongAddress, tags: frozenset[int], name: str) -> bytes | None:
        """Return the block at ``address`` when its tag is one of ``tags`` and valid."""
        lba = self.lba_of(address)
        if lba is None:
            self.log_not_found(address, name)
            return None
        data = read_sector(self.view, lba, self.block_size)
        if not data:
            self.problem(
                "udf-address", name, f"its descriptor at LBA {lba} is past the end of the image"
            )
            return None
        if verify_tag(data, address.block, tags, name, self.log, offset=lba * self.block_size):
            return data
        self.is_complete = False
        return None

    def log_missing_end(self, extent: LongAddress, name: str) -> None:
        """Check the terminating descriptor after the first one of an extent, if there is room."""
        after = extent._replace(block=extent.block + 1)
        lba = self.lba_of(after) if extent.size >= 2 * self.block_size else None
        if lba is not None:
            data = read_sector(self.view, lba, self.block_size)
            verify_terminator(data, after.block, lba * self.block_size, name, self.log)

    def lba_of(self, address: LongAddress) -> int | None:
        """Return the place of the first block, or None where it is nowhere."""
        pieces = self.places(address, self.block_size)
        return pieces[0].lba if pieces else None

    def places(self, address: LongAddress, size: int) -> list[Extent] | None:
        """Return where ``size`` bytes are; None where some are nowhere, or nothing tells."""
        if address.partition >= len(self._maps):
            return None
        row = self._maps[address.partition]
        partition = self._partitions.get(row.partition_number)
        if row.kind == "unknown":
            self.unread.add(row.kind)
            return None
        if partition is None:
            return None
        if row.kind in ("virtual", "sparable"):
            return self._moved(row, partition, address.block, size)
        if row.kind == "metadata":
            extents = self.metadata_extents(address.partition, row)
            return blocks_within(extents, address.block, size, self.block_size)
        if address.block + -(-size // self.block_size) > partition.block_count:
            return None
        return [Extent(partition.start_lba + address.block, size)]

    def _moved(
        self, row: PartitionMap, partition: PartitionDescriptor, block: int, size: int
    ) -> list[Extent] | None:
        """Return the places of blocks that may have moved."""
        count = -(-size // self.block_size)
        if row not in self._tables:
            self._tables[row] = read_sparing_table(self.view, row, self.block_size, self.log)
        table = self._tables[row]
        if table is None:
            # It says which blocks were moved; without it any answer may be wrong.
            self.unread.add(row.kind)
            return None
        lbas = table.lbas(partition, block, count)
        return None if lbas is None else joined_blocks(lbas, size, self.block_size)

    @abstractmethod
    def metadata_extents(self, reference: int, row: PartitionMap) -> tuple[Extent, ...]:
        """Return the extents of the file that holds a metadata partition.

        ``reference`` is the number of its map, ``row`` the map itself.
        """

    def log_not_found(self, address: LongAddress, name: str) -> bool:
        """Log an address that leads nowhere, and tell whether that is a fault of the disc.

        It is none where the address is of a kind that is not followed here.
        """
        self.is_complete = False
        maps = self._maps
        if address.partition < len(maps) and maps[address.partition].kind in self.unread:
            return False
        message = f"block {address.block} is outside partition {address.partition}"
        self.problem("udf-address", name, message)
        return True
