"""A volume's size against its image's size: cut off, or followed by something."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mediashelf.formats.fields import View, is_zero
from mediashelf.formats.partitions.partition_table import find_partition_spans
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

# .xz file format 2.1.1.1; that of bzip2 is from memory.
_COMPRESSED = ((b"BZh", "bzip2"), (b"\xfd7zXZ\0", "xz"))

_HEAD = 1024  # bytes, in which partition tables are

_FIRST_VOLUME_END = 17 * SECTOR_SIZE  # ECMA-119 6.2.1: sectors 0 to 15 are the system area

PAD_SECTORS = 150
"""Zero sectors after a volume that are not worth a finding: common practice of writers."""

# Bytes of zeros at most before a partition: it begins at a whole MiB, by common practice.
_ALIGNMENT = (1 << 20) + PAD_SECTORS * SECTOR_SIZE


def describe_nothing(view: View) -> str:
    """Say what a file without a volume is, as far as its size and its sector 16 tell."""
    size = view.size
    if not size:
        return "not a disc image: the file is empty, 0 bytes"
    if size < _FIRST_VOLUME_END:
        return (
            f"not a disc image: {size:,} bytes are too few; the first volume descriptor is in "
            f"sector 16 and ends at byte {_FIRST_VOLUME_END:,}"
        )
    # Loaded only for what is no disc.
    from mediashelf.formats.raw.layout import begins_scrambled

    if begins_scrambled(view.read(0, _FIRST_VOLUME_END)):
        return "its sectors are raw and scrambled, as they are on the disc itself"
    sector = view.read(_FIRST_VOLUME_END - SECTOR_SIZE, SECTOR_SIZE)
    shown = "zeros" if is_zero(sector) else f"bytes {sector[:8].hex(' ')}"
    return f"no ISO 9660 or UDF volume descriptor from sector 16 on, which begins with {shown}"


def describe_packed(view: View) -> str:
    """Say what a compressed file or archive is that an image may be in; else nothing."""
    # Loaded only for what is no disc.
    from mediashelf.formats.packed.signatures import ARCHIVES, HEAD_SIZE, LZMA_START, detect_format

    head = view.read(0, HEAD_SIZE)
    kind = next((words for signature, words in _COMPRESSED if head.startswith(signature)), "")
    if not kind and LZMA_START.match(head):
        kind = "LZMA"
    if not kind:
        found = detect_format(head)
        kind = found.value if found in ARCHIVES else ""
    return f"not a disc image as it is: this file is compressed or an archive ({kind})" * bool(kind)


def log_size_problems(
    view: View,
    volume_size: int,
    furthest: int,
    *,
    has_udf: bool,
    log: ProblemLog,
    claimed: Sequence[tuple[int, int]] = (),
) -> None:
    """Log an image that ends too early, or holds more than its volume.

    ``furthest`` is the byte offset that files and structures reach. An image that is
    not shorter than its volume is whole: what points past its end is damaged. ``claimed`` is
    what a GUID partition table has, where each part begins and ends.
    """
    size = view.size
    if size % SECTOR_SIZE:
        log.add(
            "whole-sectors",
            "image",
            f"the image ends {size % SECTOR_SIZE:,} bytes into a sector; a drive can't show "
            "an incomplete sector",
            offset=size - size % SECTOR_SIZE,
            length=size % SECTOR_SIZE,
            found=f"{size:,} bytes",
            expected=f"a multiple of {SECTOR_SIZE}",
        )
    if size < volume_size:
        _log_short(size, volume_size, furthest, log)
        return
    spans = find_partition_spans(view.read(0, _HEAD), size)
    partitions_end = max((end for _, end in spans), default=0)
    if partitions_end > size:
        _log_cut_partitions(size, partitions_end, log)
    elif size > volume_size and not has_udf:
        _log_surplus(view, volume_size, [*spans, *claimed], log)


def _log_short(size: int, volume_size: int, furthest: int, log: ProblemLog) -> None:
    missing = volume_size - size
    is_cut = furthest > size
    message = f"the image is {missing:,} bytes shorter than its volume"
    message += (
        "; files or structures are cut" if is_cut else "; nothing is recorded in the missing part"
    )
    log.add(
        "image-is-whole" if is_cut else "image-reaches-volume-end",
        "image",
        message,
        offset=size,
        length=missing,
        found=f"{size:,} bytes",
        expected=f"{size + missing:,} bytes",
    )


def _log_cut_partitions(size: int, end: int, log: ProblemLog) -> None:
    log.add(
        "image-reaches-partition-end",
        "image",
        f"the image is {end - size:,} bytes shorter than the partition table in its first sector "
        "says; what starts from it as a disk may be cut",
        offset=size,
        length=end - size,
        found=f"{size:,} bytes",
        expected=f"{end:,} bytes",
    )


def _log_surplus(
    view: View, volume_size: int, claimed: list[tuple[int, int]], log: ProblemLog
) -> None:
    for start, end, most in _unclaimed(volume_size, view.size, claimed):
        surplus = end - start
        if surplus <= most and is_zero(view.read(start, surplus)):
            continue
        message = f"{surplus:,} bytes follow the end of the volume"
        log.add(
            "nothing-after-volume",
            "image",
            f"{message}, in no partition" if claimed else message,
            offset=start,
            length=surplus,
            found=f"{view.size:,} bytes",
            expected=f"{volume_size:,} bytes",
        )


def _unclaimed(
    at: int, size: int, claimed: list[tuple[int, int]]
) -> Iterator[tuple[int, int, int]]:
    """Yield the start and end of what no partition claims, and how many zeros are usual there."""
    for start, end in sorted(claimed):
        if at < start < size:
            yield at, start, _ALIGNMENT
        at = max(at, end)
    if at < size:
        yield at, size, PAD_SECTORS * SECTOR_SIZE
