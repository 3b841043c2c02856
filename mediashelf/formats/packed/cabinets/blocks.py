"""The data blocks of a cabinet with their checksums, and blocks that are cut between two parts.

A block expands to at most 32 KiB. One that is cut where a part ends has 0 for its expanded size
in all parts but the last of it, and each piece has a checksum of its own.

Blocks and their checksum are from memory; libarchive accepts what is made by this layout and
refuses the same damage. Cut blocks are those of libmspack's source (0.11), whose own set is read
alike.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from msgspec import Struct

from mediashelf.errors import FormatError
from mediashelf.formats.fields import View
from mediashelf.formats.packed.cabinets.records import CabinetFolder

BLOCK_HEADER_SIZE = 8
MAX_EXPANDED_SIZE = 32_768
MAX_STORED_SIZE = MAX_EXPANDED_SIZE + 6144

_BLOCK = struct.Struct("<IHH")
_SIZES = struct.Struct("<HH")


class DataBlock(Struct, frozen=True):
    """The header of a data block; a ``checksum`` of 0 means that none was recorded."""

    checksum: int
    stored_size: int
    expanded_size: int


def parse_data_block(data: bytes, at: int) -> DataBlock:
    """Return the header of the data block at offset ``at`` of the cabinet."""
    if len(data) < BLOCK_HEADER_SIZE:
        raise FormatError(
            "length of the data block header", at=at, found=len(data), expected="8 bytes"
        )
    block = DataBlock(*_BLOCK.unpack_from(data))
    if block.stored_size > MAX_STORED_SIZE:
        raise FormatError(
            "stored size of a data block",
            at=at + 4,
            found=block.stored_size,
            expected=f"at most {MAX_STORED_SIZE}",
        )
    if block.expanded_size > MAX_EXPANDED_SIZE:
        raise FormatError(
            "expanded size of a data block",
            at=at + 6,
            found=block.expanded_size,
            expected=f"at most {MAX_EXPANDED_SIZE}",
        )
    return block


def data_block_checksum(header: bytes, payload: bytes) -> int:
    """Return the checksum of a data block.

    ``header`` is the block's header with its reserve; the four bytes of the
    recorded checksum itself are left out. Both runs are XORed together as
    32-bit words; what is left of a run below four bytes counts high byte first.
    """
    return _xor_words(payload) ^ _xor_words(header[4:])


def _xor_words(data: bytes) -> int:
    """XOR of all little-endian 32-bit words: the run is folded in half as one big number."""
    whole = len(data) & ~3
    rest = int.from_bytes(data[whole:], "big")
    folded = int.from_bytes(data[:whole], "little")
    words = whole // 4
    while words > 1:
        half = (words + 1) // 2
        folded = (folded >> (32 * half)) ^ (folded & ((1 << 32 * half) - 1))
        words = half
    return folded ^ rest


class CutBlocks:
    """Gives the data blocks of parts that follow each other, whole.

    A block whose checksum was wrong has a wrong one again, so that its files are refused.
    """

    def __init__(self) -> None:
        self._left = 0
        self.drop()

    @property
    def is_open(self) -> bool:
        """Whether the last block is not at its end."""
        return bool(self._piece)

    def drop(self) -> None:
        """Forget the block that is not at its end."""
        self._piece = b""
        self._is_bad = self._is_checked = False

    def begin(self, view: View) -> None:
        """Go on in the next part; blocks of all its folders have no more bytes than it has."""
        self._view, self._left = view, view.size

    def iter_whole(
        self, folder: CabinetFolder, reserve: int, *, may_be_cut: bool
    ) -> Iterator[tuple[bytes, int]]:
        """Yield the blocks of a folder of the part, and to how many bytes each expands."""
        at = folder.data_offset
        for number in range(folder.block_count):
            head = self._view.read(at, BLOCK_HEADER_SIZE + reserve)
            block = parse_data_block(head, at)
            payload = self._view.read(at + len(head), block.stored_size)
            self._left -= BLOCK_HEADER_SIZE + len(payload)
            if len(payload) < block.stored_size or self._left < 0:
                raise FormatError(
                    "length of the data block",
                    at=at,
                    found=len(payload),
                    expected=f"{block.stored_size:,} bytes of its own",
                )
            computed = data_block_checksum(head, payload)
            self._is_bad |= block.checksum not in (0, computed)
            self._is_checked |= block.checksum != 0
            self._piece += payload
            refuse_above(MAX_STORED_SIZE, len(self._piece), "stored size of a data block")
            if block.expanded_size:
                yield self._whole(block.expanded_size), block.expanded_size
            elif not (may_be_cut and number == folder.block_count - 1):
                raise FormatError(
                    "expanded size of a data block", at=at + 6, found=0, expected="1 or more"
                )
            at += len(head) + len(payload)

    def _whole(self, expanded_size: int) -> bytes:
        rest = _SIZES.pack(len(self._piece), expanded_size)
        checksum = data_block_checksum(bytes(4) + rest, self._piece) if self._is_checked else 0
        if self._is_bad:
            checksum ^= 1 if checksum != 1 else 2  # 0 would say that none was recorded
        made = checksum.to_bytes(4, "little") + rest + self._piece
        self.drop()
        return made


def refuse_above(most: int, count: int, field: str) -> None:
    """Raise :class:`FormatError` where a set of cabinets has more than it may."""
    if count > most:
        raise FormatError(field, at="the set", found=count, expected=f"at most {most}")
