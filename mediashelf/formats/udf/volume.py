"""A disc's UDF volume as facts: label, revision, and the entries of its tree."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from mediashelf.formats.fields import View
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.recognition import (
    FIRST_ANCHOR,
    has_later_anchor,
    read_anchors,
    read_recognition,
)
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, Entry, VolumeFacts, VolumeKind
from mediashelf.text import count_text

if TYPE_CHECKING:
    from mediashelf.formats.udf.sequence import VolumeSequence
    from mediashelf.formats.udf.volume_records import LogicalVolume

OTHERS_RULE = "udf-links"

_LOST = {
    "sparable": "no valid sparing table was found",
    "virtual": "no virtual allocation table was found in the last blocks of the image",
}
"""By kind of partition: why nothing tells where its blocks are."""


def read_udf_volume(view: View, log: ProblemLog, session: int = 0) -> VolumeFacts | None:
    """Return the UDF volume, or None when the disc has none.

    A disc has one when its volume recognition sequence names NSR02 or NSR03. ``session``
    is the first sector of the last session; where that has none, one that an earlier
    session has is named and not read.
    What could not be read of it is logged, and shows in ``entries_read`` and
    ``is_complete``.
    """
    standard = read_recognition(view, log, session)
    if not standard:
        if session and read_recognition(view, ProblemLog()):
            _not_read(log, "it is that of an earlier session; the last session has none")
        return None
    from mediashelf.formats.udf.sequence import read_sequences  # only for discs that have UDF

    problem_count = log.total
    block_size, sequences, anchor_count = read_anchors(view, log, session)
    is_alone = anchor_count == 1 and problem_count == log.total
    sequence = read_sequences(view, sequences, block_size, log)
    volume = sequence.logical_volume
    if volume is None:
        if sequences:
            offset = sequences[0][1] * block_size
            log.add(
                "udf-volume-descriptors",
                f"LBA {offset // SECTOR_SIZE}",
                "the UDF volume descriptor sequence has no valid logical volume descriptor",
                offset=offset,
                expected="a logical volume descriptor",
            )
        _not_read(log, "there is no valid logical volume descriptor")
        return VolumeFacts(
            VolumeKind.UDF, sequence.label, detail=standard, entries_read=False, is_complete=False
        )
    end = _end_of_partitions(sequence, volume)
    is_plain = all(row.kind in ("plain", "metadata") for row in volume.maps)
    is_suspect = is_alone and is_plain and end * volume.block_size <= view.size
    if is_suspect and not has_later_anchor(view, end, block_size, session):
        _log_single_anchor(view, block_size, log)
    read = _Contents()
    if volume.block_size != block_size:
        _log_other_blocks(sequences[0][1] * block_size, volume.block_size, block_size, log)
    else:
        read = _read_contents(view, sequence, volume, log)
    return VolumeFacts(
        VolumeKind.UDF,
        volume.label or sequence.label,
        read.entries,
        block_size=volume.block_size,
        block_count=end,
        detail=standard,
        udf_revision=volume.revision,
        entries_read=read.is_read,
        is_complete=read.is_complete,
    )


class _Contents(NamedTuple):
    """The entries of a volume, and how much of them was read."""

    entries: tuple[Entry, ...] = ()
    is_read: bool = False
    is_complete: bool = False


def _read_contents(
    view: View, sequence: VolumeSequence, volume: LogicalVolume, log: ProblemLog
) -> _Contents:
    """Read the tree, and log what is wrong with it and with what stands beside it."""
    from mediashelf.formats.udf.allocation_table import find_allocation_tables
    from mediashelf.formats.udf.integrity import log_integrity_problems, log_mirror_problems
    from mediashelf.formats.udf.space import UdfSpace
    from mediashelf.formats.udf.tree import iter_udf_entries

    block_size = volume.block_size
    if block_size != SECTOR_SIZE:
        _log_block_size(block_size, log)
    partitions = tuple(sequence.partitions.values())
    moved = find_allocation_tables(view, volume, sequence.partitions)
    space = UdfSpace(view, volume, partitions, log, moved)
    entries = tuple(iter_udf_entries(space, volume.file_set))
    log_integrity_problems(view, volume.integrity, block_size, log)
    log_mirror_problems(UdfSpace(view, volume, partitions, ProblemLog(), moved), volume, log)
    _log_cut_extents(view, entries, block_size, log)
    _log_others(space.others, log)
    for kind in sorted(space.unread):
        if kind in _LOST:
            _log_lost(view, volume, kind, log)
        else:
            _not_read(log, "a partition of an unknown kind is not supported")
    return _Contents(entries, bool(entries) or space.is_complete, space.is_complete)


def furthest_of(udf: VolumeFacts | None) -> int:
    """Return the byte offset that the extents of a UDF tree reach; 0 where there is none."""
    if udf is None:
        return 0
    ends = (
        extent.lba * udf.block_size + extent.offset + extent.size
        for entry in udf.entries
        for extent in entry.extents
        if extent.lba != HOLE
    )
    return max(ends, default=0)


def _end_of_partitions(sequence: VolumeSequence, volume: LogicalVolume) -> int:
    """Return the block after the last one of the partitions that the logical volume uses.

    A virtual partition reaches to the end of a medium that is written bit by bit, so
    it does not tell: 0.
    """
    if any(row.kind == "virtual" for row in volume.maps):
        return 0
    used = {row.partition_number for row in volume.maps}
    ends = [
        partition.start_lba + partition.block_count
        for number, partition in sequence.partitions.items()
        if number in used
    ]
    return max(ends, default=0)


def _log_cut_extents(
    view: View, entries: Iterable[Entry], block_size: int, log: ProblemLog
) -> None:
    """Log every file whose bytes are past the end of the image."""
    for entry in entries:
        if entry.is_directory:
            continue  # what a directory lacks shows when it is read
        for extent in entry.extents:
            start = extent.lba * block_size + extent.offset
            end = start + extent.size
            if extent.lba == HOLE or end <= view.size:
                continue
            first_outside = max(start, view.size)
            log.add(
                "extent-inside-image",
                f"{entry.path} (udf)",
                f"{end - first_outside:,} of {entry.size:,} bytes are past the end of the image",
                offset=first_outside,
                length=end - first_outside,
                found=f"ends at byte {end:,}",
                expected=f"at most {view.size:,}",
            )


def _log_others(others: Sequence[tuple[str, int]], log: ProblemLog) -> None:
    """Log links and devices, at the place of the first."""
    if others:
        path, offset = others[0]
        count = count_text(len(others), "symbolic link or device", "symbolic links or devices")
        form = "an empty file" if len(others) == 1 else "empty files"
        log.add(
            OTHERS_RULE,
            f"{path} (udf)",
            f"{count}, read as {form}",
            offset=offset,
            found="a file type without bytes",
            expected="a file with bytes of its own",
        )


def _not_read(log: ProblemLog, reason: str) -> None:
    log.add("udf-contents-not-read", "UDF volume", f"UDF contents not read: {reason}")


def _log_lost(view: View, volume: LogicalVolume, kind: str, log: ProblemLog) -> None:
    tables = [lba for row in volume.maps for lba in row.tables]
    place = tables[0] if tables else max(view.size // volume.block_size - 1, 0)
    log.add(
        "udf-moved-blocks",
        "UDF volume",
        f"UDF contents not read: {_LOST[kind]}",
        offset=place * volume.block_size,
        length=volume.block_size,
    )


def _log_other_blocks(offset: int, size: int, anchor_size: int, log: ProblemLog) -> None:
    reason = f"its blocks of {size:,} bytes are not those of the anchor, {anchor_size:,}"
    log.add(
        "udf-volume-descriptors",
        f"LBA {offset // SECTOR_SIZE}",
        f"the UDF logical volume descriptor is wrong: {reason}",
        offset=offset,
        found=f"{size:,} bytes",
        expected=f"{anchor_size:,} bytes",
    )
    _not_read(log, reason)


def _log_block_size(block_size: int, log: ProblemLog) -> None:
    log.add(
        "udf-block-size",
        "UDF volume",
        f"its blocks have {block_size:,} bytes; systems that read a drive's sectors of "
        f"{SECTOR_SIZE:,} bytes may not find it",
        found=f"{block_size:,} bytes",
        expected=f"{SECTOR_SIZE:,} bytes",
    )


def _log_single_anchor(view: View, block_size: int, log: ProblemLog) -> None:
    last = view.size // block_size - 1
    log.add(
        "udf-anchor-copy",
        "UDF volume",
        "only one anchor was found; nothing stands in for it where it cannot be read",
        offset=max(last, 0) * block_size,
        length=block_size,
        found="1 anchor",
        expected=f"another one in the last block, or {FIRST_ANCHOR} before it",
    )
