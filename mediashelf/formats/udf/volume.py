"""A disc's UDF volume as facts: label, revision, and the entries of its tree."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from mediashelf.formats.fields import View, read_sector
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.udf.recognition import (
    parse_descriptor_tag,
    read_anchors,
    read_recognition,
    verify_tag,
)
from mediashelf.formats.udf.records import (
    LogicalVolume,
    PartitionDescriptor,
    parse_dstring,
    parse_logical_volume,
    parse_partition_descriptor,
)
from mediashelf.formats.udf.space import UdfSpace
from mediashelf.formats.udf.tree import iter_udf_entries
from mediashelf.formats.volume import HOLE, SECTOR_SIZE, Entry, VolumeFacts, VolumeKind

_PRIMARY, _PARTITION, _LOGICAL_VOLUME, _TERMINATING = 1, 5, 6, 8  # tags, 3/7.2.1
_MOST_DESCRIPTORS = 64  # of a volume descriptor sequence that are followed


@dataclass(slots=True)
class _Sequence:
    """What the volume descriptor sequence says; a later descriptor replaces an earlier one."""

    label: str = ""
    logical_volume: LogicalVolume | None = None
    partitions: dict[int, PartitionDescriptor] = field(default_factory=dict)
    has_end: bool = False


def read_udf_volume(view: View, log: ProblemLog) -> VolumeFacts | None:
    """Return the UDF volume, or None when the disc has none.

    A disc has one when its volume recognition sequence names NSR02 or NSR03.
    What could not be read of it is logged, and shows in ``entries_read`` and
    ``is_complete``.
    """
    standard = read_recognition(view, log)
    if not standard:
        return None
    sequences = read_anchors(view, log)
    sequence = _read_sequences(view, sequences, log)
    volume = sequence.logical_volume
    if volume is None:
        if sequences:
            log.add(
                "udf-volume-descriptors",
                f"LBA {sequences[0][1]}",
                "the UDF volume descriptor sequence has no valid logical volume descriptor",
                offset=sequences[0][1] * SECTOR_SIZE,
                expected="a logical volume descriptor",
            )
        _not_read(log, "there is no valid logical volume descriptor")
        return VolumeFacts(
            VolumeKind.UDF, sequence.label, detail=standard, entries_read=False, is_complete=False
        )
    entries: tuple[Entry, ...] = ()
    is_read, is_complete = False, False
    if volume.block_size != SECTOR_SIZE:
        _not_read(log, f"blocks of {volume.block_size} bytes are not supported")
    else:
        space = UdfSpace(view, volume, tuple(sequence.partitions.values()), log)
        entries = tuple(iter_udf_entries(space, volume.file_set))
        is_read = bool(entries) or space.is_complete
        is_complete = space.is_complete
        _log_cut_extents(view, entries, log)
        for kind in sorted(space.unread):
            _not_read(log, f"{kind} partitions are not supported")
    return VolumeFacts(
        VolumeKind.UDF,
        volume.label or sequence.label,
        entries,
        block_size=volume.block_size,
        block_count=_end_of_partitions(sequence, volume),
        detail=standard,
        udf_revision=volume.revision,
        entries_read=is_read,
        is_complete=is_complete,
    )


def _end_of_partitions(sequence: _Sequence, volume: LogicalVolume) -> int:
    """Return the block after the last one of the partitions that the logical volume uses."""
    used = {row.partition_number for row in volume.maps}
    ends = [
        partition.start_lba + partition.block_count
        for number, partition in sequence.partitions.items()
        if number in used
    ]
    return max(ends, default=0)


def _log_cut_extents(view: View, entries: Iterable[Entry], log: ProblemLog) -> None:
    """Log every file whose bytes are past the end of the image."""
    for entry in entries:
        if entry.is_directory:
            continue  # what a directory lacks shows when it is read
        for extent in entry.extents:
            start = extent.lba * SECTOR_SIZE + extent.offset
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


def _not_read(log: ProblemLog, reason: str) -> None:
    log.add("udf-contents-not-read", "UDF volume", f"UDF contents not read: {reason}")


def _read_sequences(view: View, sequences: list[tuple[int, int]], log: ProblemLog) -> _Sequence:
    """Read the first sequence that gives a logical volume: the main one, then the reserve."""
    best = _Sequence()
    for length, start in sequences:
        sequence = _Sequence()
        _read_sequence(view, length, start, sequence, log)
        if not sequence.has_end:
            log.add(
                "udf-volume-descriptors",
                f"LBA {start}",
                "the UDF volume descriptor sequence has no terminator",
                offset=start * SECTOR_SIZE,
                length=length,
                expected="a terminating descriptor",
            )
        if sequence.logical_volume is not None:
            return sequence
        best = best if best.label else sequence
    return best


def _read_sequence(
    view: View, length: int, start: int, sequence: _Sequence, log: ProblemLog
) -> None:
    for lba in range(start, start + min(length // SECTOR_SIZE, _MOST_DESCRIPTORS)):
        data = read_sector(view, lba)
        identifier = parse_descriptor_tag(data).identifier if data else 0
        if identifier in (0, _TERMINATING):
            # Blocks that were never written end a sequence too (3/8.4.2, from memory).
            sequence.has_end = bool(data)
            return
        name = f"volume descriptor {identifier}"
        if not verify_tag(data, lba, frozenset({identifier}), name, log):
            continue
        if identifier == _PRIMARY:
            sequence.label = parse_dstring(data[24:56])
        elif identifier == _PARTITION:
            partition = parse_partition_descriptor(data)
            if partition is not None:
                sequence.partitions[partition.number] = partition
        elif identifier == _LOGICAL_VOLUME:
            sequence.logical_volume = parse_logical_volume(data)
