"""The data blocks of a cabinet's folders: walked once, and expanded where they are MSZIP."""

from __future__ import annotations

import zlib
from bisect import bisect_right, insort
from collections.abc import Iterator

from msgspec import Struct, field

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinets.blocks import (
    BLOCK_HEADER_SIZE,
    MAX_EXPANDED_SIZE,
    data_block_checksum,
    parse_data_block,
)
from mediashelf.formats.packed.cabinets.records import CabinetFolder


class WalkedBlock(Struct):
    """One data block: where it is in the cabinet and in the expanded folder."""

    number: int
    at: int
    end: int
    expanded_at: int
    expanded_size: int
    recorded: int
    computed: int

    @property
    def is_bad(self) -> bool:
        """Whether a checksum was recorded and is not the computed one."""
        return self.recorded not in (0, self.computed)


class MszipExpander(Struct):
    """Expands the MSZIP blocks of one folder; each needs what the ones before gave."""

    is_open: bool
    window: bytes = b""

    def expand(self, payload: bytes, expected: int) -> tuple[str, bytes]:
        """Return what is wrong with a block, if anything is, and the bytes that came out."""
        if payload[:2] != b"CK":
            return f"begins with {payload[:2]!r}, expected b'CK'", b""
        inflater = zlib.decompressobj(-15, zdict=self.window)
        try:
            output = inflater.decompress(payload[2:], MAX_EXPANDED_SIZE + 1)
        except zlib.error as error:
            return f"cannot be expanded: {error}", b""
        if len(output) != expected:
            return f"expands to {len(output):,} bytes, expected {expected:,}", b""
        self.window = (self.window + output)[-MAX_EXPANDED_SIZE:]
        return "", output


class DataWalk(Struct):
    """Walks the data blocks of folder after folder; no byte is walked twice.

    ``reserve`` is the number of bytes after each block's header.
    """

    view: View
    reserve: int
    walked: list[tuple[int, int]] = field(default_factory=list)

    def iter_blocks(self, folder: CabinetFolder) -> Iterator[tuple[WalkedBlock, bytes]]:
        """Yield block and payload; raises :class:`FormatError` where the chain breaks."""
        at, expanded = folder.data_offset, 0
        try:
            for number in range(folder.block_count):
                header = self.view.read(at, BLOCK_HEADER_SIZE + self.reserve)
                parsed = parse_data_block(header, at)
                payload = self.view.read(at + len(header), parsed.stored_size)
                if len(payload) < parsed.stored_size:
                    raise FormatError(
                        "length of the data block",
                        at=at,
                        found=len(payload),
                        expected=f"{parsed.stored_size:,} bytes",
                    )
                end = at + len(header) + len(payload)
                if self._is_walked(at, end):
                    raise FormatError(
                        "place of a data block",
                        at=at,
                        found="data of another folder",
                        expected="data of its own",
                    )
                computed = data_block_checksum(header, payload)
                size = parsed.expanded_size
                yield (
                    WalkedBlock(number, at, end, expanded, size, parsed.checksum, computed),
                    payload,
                )
                at, expanded = end, expanded + size
        finally:
            insort(self.walked, (folder.data_offset, at))

    def _is_walked(self, start: int, end: int) -> bool:
        """Tell whether any of these bytes belong to a folder that was walked before."""
        next_one = bisect_right(self.walked, (start, self.view.size))
        is_before = next_one > 0 and self.walked[next_one - 1][1] > start
        return is_before or (next_one < len(self.walked) and self.walked[next_one][0] < end)
