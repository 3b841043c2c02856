"""What no reader needs and damage may hit: the integrity sequence, the metadata mirror file.

The logical volume integrity sequence says whether the volume was closed after writing.
Layout as the Linux kernel 6.1 has it (fs/udf/ecma_167.h and super.c): after the tag the
date, at 28 whether it is open (0) or closed (1), and at 32 the length and place of the next
extent of the sequence.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence

from mediashelf.formats.fields import View, read_sector
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.records import EXTENT_RECORDED, LongAddress
from mediashelf.formats.udf.sequence import verify_terminator
from mediashelf.formats.udf.space import UdfSpace
from mediashelf.formats.udf.tags import parse_descriptor_tag, verify_tag
from mediashelf.formats.udf.volume_records import NO_BLOCK, LogicalVolume
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, Extent

_INTEGRITY, _TERMINATING, _BITMAP = 9, 8, 264  # tags, 3/7.2.1 and 4/7.2.1
_OPEN = 0
_STATE_AND_NEXT = struct.Struct("<28xIII")
_BITMAP_SIZE = struct.Struct("<20xI")  # in bytes, after the tag and the number of bits
_MOST_EXTENTS, _MOST_DESCRIPTORS = 64, 64


def log_integrity_problems(
    view: View, extent: tuple[int, int], block_size: int, log: ProblemLog
) -> None:
    """Log damaged descriptors of the sequence in ``extent`` (length, location), and an open volume.

    Systems show a volume whose sequence is damaged, but do not write to it.
    """
    state: int | None = None
    seen: set[int] = set()
    length, location = extent
    while length and location not in seen and len(seen) < _MOST_EXTENTS:
        seen.add(location)
        following = (0, 0)
        for block in range(location, location + min(length // block_size, _MOST_DESCRIPTORS)):
            data, offset = read_sector(view, block, block_size), block * block_size
            identifier = parse_descriptor_tag(data).identifier if data else 0
            if block > location and identifier in (0, _TERMINATING):
                verify_terminator(data, block, offset, "logical volume integrity sequence", log)
                break
            own_log = ProblemLog()
            name = "the logical volume integrity descriptor"
            if not verify_tag(data, block, frozenset({_INTEGRITY}), name, own_log, offset=offset):
                _log_damaged(own_log, block, offset, block_size, log)
                break
            state, *following_extent = _STATE_AND_NEXT.unpack_from(data)
            following = (following_extent[0], following_extent[1])
        length, location = following
    if state == _OPEN:
        log.add(
            "udf-volume-closed",
            "UDF volume",
            "the volume is marked as open: it is still to be written to, or was not put away well",
            offset=extent[1] * block_size,
            length=block_size,
            found="open",
            expected="closed",
        )


def log_mirror_problems(space: UdfSpace, volume: LogicalVolume, log: ProblemLog) -> None:
    """Log a metadata mirror file that is damaged; ``space`` has a log of its own.

    Systems read it where the metadata file is damaged (UDF 2.60, 2.2.10). It has the same
    blocks, or where the flag for it is set a copy of them.
    """
    for row in volume.maps:
        if row.kind != "metadata":
            continue
        plain = volume.plain_map(row.partition_number) or 0
        address = LongAddress(EXTENT_RECORDED, volume.block_size, row.mirror_block, plain)
        mirror = space.file_extents(address, "the metadata mirror file")
        is_sound = mirror is not None and space.is_complete
        found = space.log.findings()[-1:]
        if mirror is not None and is_sound and row.is_doubled:
            own = space.file_extents(address._replace(block=row.metadata_block), "metadata file")
            if own is not None:
                free = _free_blocks(space, address._replace(block=row.bitmap_block))
                _log_unlike(space, own, mirror, free, log)
        if not is_sound:
            log.add(
                "udf-metadata-mirror",
                "UDF volume",
                "the file entry of the metadata mirror file is damaged, so nothing stands in for "
                "the metadata file",
                offset=found[0].offset if found else None,
                length=volume.block_size if found and found[0].offset is not None else None,
                found=found[0].found if found else "",
                expected=found[0].expected if found else "",
            )


def _free_blocks(space: UdfSpace, address: LongAddress) -> bytes:
    """Return a bit for each block of the metadata file, 1 where it is free.

    Layout as the Linux kernel 6.1 has it (fs/udf/ecma_167.h, 4/14.12; balloc.c). Empty where no
    bitmap is good, as on media that are not written to.
    """
    if address.block == NO_BLOCK:
        return b""
    extents = space.file_extents(address, "the metadata bitmap") or ()
    size = sum(extent.size for extent in extents)
    if size > space.view.size // space.block_size + space.block_size:
        return b""  # more than bits for all blocks of the image
    data = space.read_extents(extents, size)
    if len(data) < _BITMAP_SIZE.size or parse_descriptor_tag(data).identifier != _BITMAP:
        return b""
    (size,) = _BITMAP_SIZE.unpack_from(data)
    return data[_BITMAP_SIZE.size :][:size]


def _log_unlike(
    space: UdfSpace,
    own: Sequence[Extent],
    mirror: Sequence[Extent],
    free: bytes,
    log: ProblemLog,
) -> None:
    """Log the first block in use in which the metadata mirror file is not like the metadata file.

    What was left in free blocks nobody reads.
    """
    pairs = zip(_iter_pieces(space, own), _iter_pieces(space, mirror), strict=False)
    for number, ((_, one), (offset, other)) in enumerate(pairs):
        is_free = number < 8 * len(free) and free[number // 8] >> number % 8 & 1
        if one != other and not is_free:
            log.add(
                "udf-metadata-mirror",
                "UDF volume",
                "the metadata mirror file is not like the metadata file, in whose place it may be "
                "read",
                offset=offset,
                length=len(other),
                found="other bytes in the mirror file",
                expected="the same bytes in both",
            )
            return


def _iter_pieces(space: UdfSpace, extents: Sequence[Extent]) -> Iterator[tuple[int, bytes]]:
    """Yield the blocks of a file, each with its place, no more than the image has."""
    left = space.view.size
    for extent in extents:
        for at in range(0, min(extent.size, left), space.block_size):
            offset = extent.lba * space.block_size + at
            size = min(space.block_size, extent.size - at)
            yield offset, bytes(size) if extent.lba == HOLE else space.view.read(offset, size)
        left -= extent.size
        if left <= 0:
            return


def _log_damaged(
    own_log: ProblemLog, block: int, offset: int, block_size: int, log: ProblemLog
) -> None:
    findings = own_log.findings()
    log.add(
        "udf-integrity",
        f"LBA {offset // SECTOR_SIZE}",
        "the logical volume integrity descriptor is damaged",
        offset=offset,
        length=block_size,
        found=findings[0].found if findings else "nothing, the image ends before it",
        expected=findings[0].expected if findings else f"a descriptor in block {block}",
    )
