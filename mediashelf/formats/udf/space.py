"""Where the bytes of a UDF volume's files are in the image: file entries and extents."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from mediashelf.formats.fields import View, read_sector
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.blocks import UdfBlocks
from mediashelf.formats.udf.moved_blocks import VirtualBlocks
from mediashelf.formats.udf.records import (
    ALLOCATION_EXTENT_DESCRIPTOR,
    EXTENDED_FILE_ENTRY,
    EXTENT_CONTINUES,
    EXTENT_RECORDED,
    FILE_ENTRY,
    INDIRECT_ENTRY,
    FileEntry,
    LongAddress,
    parse_addresses,
    parse_file_entry,
    parse_indirect_entry,
    parse_strategy,
)
from mediashelf.formats.udf.tags import parse_descriptor_tag
from mediashelf.formats.udf.volume_records import LogicalVolume, PartitionDescriptor, PartitionMap
from mediashelf.formats.volume import HOLE, Extent

_MOST_EXTENTS = 1 << 16  # of one file
_MOST_IN_ALL = 1 << 21  # extents of all files; a DVD has about as many blocks
_ALONE = 4  # the strategy of a file that has one file entry (ECMA-167 4/14.6.2; UDF 2.3.5.1)
_CHAINED = 4096  # the strategy by which a later file entry takes the place of an earlier one
_MOST_REPLACED = 1024  # file entries of one file, as the Linux kernel 6.1 follows them
_MOST_CONTINUATIONS = 1024  # blocks of allocation descriptors of one file


class UdfSpace(UdfBlocks):
    """Files of a logical volume, by the addresses of their file entries.

    ``is_full`` turns True when files have more extents than are kept, ``others`` are the links
    and devices, each with its path and the offset of its record, and ``directory_bytes`` adds up
    what the directories read have.
    """

    def __init__(
        self,
        view: View,
        volume: LogicalVolume,
        partitions: Sequence[PartitionDescriptor],
        log: ProblemLog,
        tables: Mapping[PartitionMap, VirtualBlocks | None] | None = None,
    ) -> None:
        super().__init__(view, volume, partitions, log, tables)
        self._metadata: dict[int, tuple[Extent, ...]] = {}
        self.is_full = False
        self._extent_count = 0
        self.others: list[tuple[str, int]] = []
        self.directory_bytes = 0

    def read_file_entry(self, address: LongAddress, name: str) -> tuple[FileEntry, int] | None:
        """Return a file entry and the byte offset in the image at which it is recorded.

        On media that are written once, indirect entries lead to the one that counts (strategy
        4096; ECMA-167 4/14.6.2, as the Linux kernel 6.1 has it in fs/udf/inode.c).
        """
        data: bytes | None = None
        following: LongAddress | None = address
        for _ in range(_MOST_REPLACED):
            if following is None:
                break
            address = following
            data = self.read_record(address, frozenset({FILE_ENTRY, EXTENDED_FILE_ENTRY}), name)
            if data is None:
                return None
            following = self._replacing(address, data, name)
        if data is None or following is not None:
            self.problem("walk-bounded", name, "its file entries form a loop")
            return None
        file_entry = parse_file_entry(data)
        lba = self.lba_of(address)
        if file_entry is None or lba is None:
            self.problem("udf-file-entry", name, "the file entry's lengths do not fit its block")
            return None
        return file_entry, lba * self.block_size

    def _replacing(self, address: LongAddress, data: bytes, name: str) -> LongAddress | None:
        """Return where the file entry is that takes the place of this one, if any does."""
        strategy = parse_strategy(data)
        if strategy not in (_ALONE, _CHAINED):
            self._log_strategy(strategy, address, name)
        if strategy != _CHAINED:
            return None
        after = address._replace(block=address.block + 1)
        lba = self.lba_of(after)
        block = b"" if lba is None else read_sector(self.view, lba, self.block_size)
        # A terminal entry may be there, or nothing was recorded yet.
        if not block or parse_descriptor_tag(block).identifier != INDIRECT_ENTRY:
            return None
        if self.read_record(after, frozenset({INDIRECT_ENTRY}), name) is None:
            return None
        return parse_indirect_entry(block)

    def _log_strategy(self, strategy: int, address: LongAddress, name: str) -> None:
        """Log a strategy for which systems refuse the file; its first file entry is read here."""
        self.is_complete = False
        lba = self.lba_of(address)
        self.log.add(
            "udf-file-entry",
            name,
            f"its file entry has strategy {strategy}, so systems that follow UDF do not open it",
            offset=None if lba is None else lba * self.block_size,
            length=None if lba is None else self.block_size,
            found=f"strategy {strategy}",
            expected=f"{_ALONE} or {_CHAINED}",
        )

    def extents(
        self, file_entry: FileEntry, icb: LongAddress, offset: int, name: str
    ) -> tuple[Extent, ...]:
        """Return where a file's bytes are; holes have :data:`HOLE` for an LBA.

        ``icb`` is the address of the file entry and ``offset`` its place in the image.
        """
        if file_entry.address_form == 3:  # the bytes are in the file entry itself
            start = offset + file_entry.addresses_at
            size = min(file_entry.size, len(file_entry.addresses))
            extents = (
                [Extent(start // self.block_size, size, start % self.block_size)] if size else []
            )
            left = file_entry.size - size
        else:
            extents, left = self._recorded_extents(file_entry, icb, name)
        if left > 0:
            self.problem(
                "udf-file-entry", name, f"its extents are {left:,} bytes shorter than its size"
            )
        return tuple(extents)

    def _recorded_extents(
        self, file_entry: FileEntry, icb: LongAddress, name: str
    ) -> tuple[list[Extent], int]:
        extents: list[Extent] = []
        left = file_entry.size
        for address in self._addresses(file_entry, icb, name):
            if left <= 0 or len(extents) >= _MOST_EXTENTS:
                break
            if self._extent_count >= _MOST_IN_ALL:
                self.is_full = True
                self.problem("walk-bounded", name, "the files have too many extents")
                return extents, 0
            size = min(address.size, left)
            pieces: list[Extent] | None = [Extent(HOLE, size)]
            if address.kind == EXTENT_RECORDED:
                pieces = self.places(address, size)
            if pieces is None:
                is_fault = self.log_not_found(address, name)
                return extents, left if is_fault else 0
            extents += pieces
            self._extent_count += len(pieces)
            left -= size
        return extents, left

    def _addresses(
        self, file_entry: FileEntry, icb: LongAddress, name: str
    ) -> Iterator[LongAddress]:
        """Yield allocation descriptors, following them into further blocks."""
        data = file_entry.addresses
        seen: set[tuple[int, int]] = set()
        while True:
            following = None
            for address in parse_addresses(file_entry.address_form, data, icb.partition):
                if address.kind == EXTENT_CONTINUES:
                    following = address
                    break
                yield address
            if following is None:
                return
            place = (following.partition, following.block)
            if place in seen or len(seen) >= _MOST_CONTINUATIONS:
                self.problem("walk-bounded", name, "its allocation descriptors form a loop")
                return
            seen.add(place)
            block = self.read_record(following, frozenset({ALLOCATION_EXTENT_DESCRIPTOR}), name)
            if block is None:
                return
            data = block[24 : 24 + int.from_bytes(block[20:24], "little")]

    def file_extents(self, icb: LongAddress, name: str) -> tuple[Extent, ...] | None:
        """Return where the bytes of a file are, None where its file entry is damaged."""
        found = self.read_file_entry(icb, name)
        return None if found is None else self.extents(found[0], icb, found[1], name)

    def read_extents(self, extents: Sequence[Extent], size: int) -> bytes:
        """Return up to ``size`` bytes; fewer where the image ends."""
        pieces = [
            bytes(extent.size)
            if extent.lba == HOLE
            else self.view.read(extent.lba * self.block_size + extent.offset, extent.size)
            for extent in extents
        ]
        return b"".join(pieces)[:size]

    def metadata_extents(self, reference: int, row: PartitionMap) -> tuple[Extent, ...]:
        """Return the extents of the metadata file, or of its mirror when that is damaged."""
        if reference not in self._metadata:
            self._metadata[reference] = ()  # nothing may point into it while it is being read
            plain = self._volume.plain_map(row.partition_number)
            plain = reference if plain is None else plain
            for block in (row.metadata_block, row.mirror_block):
                icb = LongAddress(EXTENT_RECORDED, self.block_size, block, plain)
                extents = self.file_extents(icb, "metadata file")
                if extents is not None:
                    self._metadata[reference] = extents
                    break
        return self._metadata[reference]
