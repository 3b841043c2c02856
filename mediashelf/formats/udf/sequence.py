"""The volume descriptor sequence: what a UDF volume is called, and where its partitions are.

Of several descriptors for one thing that with the highest sequence number counts, and a volume
descriptor pointer leads to a further extent (ECMA-167 3/10.3), as the Linux kernel 6.1 has it
(fs/udf/super.c).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

from msgspec import Struct, field

from mediashelf.formats.fields import View, is_zero, read_sector
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.fields import parse_dstring
from mediashelf.formats.udf.tags import parse_descriptor_tag, verify_tag
from mediashelf.formats.udf.volume_records import (
    LogicalVolume,
    PartitionDescriptor,
    parse_logical_volume,
    parse_partition_descriptor,
)
from mediashelf.formats.volume import SECTOR_SIZE

_PRIMARY, _POINTER, _PARTITION, _LOGICAL_VOLUME = 1, 3, 5, 6  # tags, 3/7.2.1
_TERMINATING = 8
_NUMBER_AT = 16  # the volume descriptor sequence number, in all but the terminating one
_NEXT = struct.Struct("<20xII")  # in a pointer: length in bytes and location of the next extent
_MOST_DESCRIPTORS = 64  # of an extent of a volume descriptor sequence that are followed
_MOST_EXTENTS = 64  # of a sequence, as the Linux kernel 6.1 follows them


class VolumeSequence(Struct):
    """What the volume descriptor sequence says; a higher number replaces a lower one."""

    label: str = ""
    logical_volume: LogicalVolume | None = None
    partitions: dict[int, PartitionDescriptor] = field(default_factory=dict)
    has_end: bool = False
    kinds: set[int] = field(default_factory=set)  # tag identifiers of its good descriptors
    numbers: dict[tuple[int, int], int] = field(default_factory=dict)  # of what counts

    def counts(self, kind: int, number: int, part: int = 0) -> bool:
        """Tell whether a descriptor with this number stands for its kind, and keep the number."""
        if number < self.numbers.get((kind, part), 0):
            return False
        self.numbers[kind, part] = number
        return True


def read_sequences(
    view: View, sequences: Iterable[tuple[int, int]], block_size: int, log: ProblemLog
) -> VolumeSequence:
    """Read the first sequence that gives a logical volume: the main one, then the reserve.

    ``sequences`` are (length, location). One that is not needed is compared.
    """
    best = VolumeSequence()
    problem_count = log.total
    for number, (length, start) in enumerate(sequences):
        is_spare = best.logical_volume is not None
        own_log = ProblemLog() if is_spare else log
        sequence = VolumeSequence()
        _read_sequence(view, length, start, block_size, sequence, own_log)
        offset = start * block_size
        if is_spare:
            if length and (own_log.findings() or _differ(sequence, best)):
                log.add(
                    "udf-reserve-sequence",
                    f"LBA {offset // SECTOR_SIZE}",
                    "a further volume descriptor sequence is damaged, or is not like the first",
                    offset=offset,
                    length=length,
                    expected="the descriptors of the main sequence once more",
                )
            continue
        if not sequence.has_end:
            log.add(
                "udf-volume-descriptors",
                f"LBA {offset // SECTOR_SIZE}",
                "the UDF volume descriptor sequence has no terminator",
                offset=offset,
                length=length,
                expected="a terminating descriptor",
            )
        if sequence.logical_volume is not None and problem_count == log.total and number:
            log.add(
                "udf-reserve-sequence",
                f"LBA {offset // SECTOR_SIZE}",
                "the volume descriptor sequence before this one has no logical volume descriptor; "
                "this one was read in its place",
                offset=offset,
                length=length,
                expected="the same descriptors in both",
            )
        if sequence.logical_volume is not None or not best.label:
            best = sequence
    return best


def verify_terminator(data: bytes, location: int, offset: int, name: str, log: ProblemLog) -> None:
    """Log a block at the end of a sequence that is not a good terminating descriptor.

    A block of zeros was never recorded, and ends a sequence too.
    """
    own_log = ProblemLog()
    if is_zero(data):
        return
    terminating = frozenset({_TERMINATING})
    if not verify_tag(data, location, terminating, name, own_log, offset=offset):
        log.add(
            "udf-terminator",
            f"LBA {offset // SECTOR_SIZE}",
            f"the terminating descriptor of the {name} is damaged",
            offset=offset,
            length=len(data),
            found=own_log.findings()[0].found,
            expected=own_log.findings()[0].expected,
        )


def _differ(one: VolumeSequence, other: VolumeSequence) -> bool:
    return (one.label, one.logical_volume, one.partitions, one.kinds) != (
        other.label,
        other.logical_volume,
        other.partitions,
        other.kinds,
    )


def _read_sequence(
    view: View,
    length: int,
    start: int,
    block_size: int,
    sequence: VolumeSequence,
    log: ProblemLog,
) -> None:
    seen: set[int] = set()
    while length and start not in seen and len(seen) < _MOST_EXTENTS:
        seen.add(start)
        length, start = _read_extent(view, length, start, block_size, sequence, log)


def _read_extent(
    view: View,
    length: int,
    start: int,
    block_size: int,
    sequence: VolumeSequence,
    log: ProblemLog,
) -> tuple[int, int]:
    """Read the descriptors of one extent; return length and location of the next, or zeros."""
    for number in range(start, start + min(length // block_size, _MOST_DESCRIPTORS)):
        data = read_sector(view, number, block_size)
        identifier = parse_descriptor_tag(data).identifier if data else 0
        offset = number * block_size
        if identifier in (0, _TERMINATING):
            # Blocks that were never written end a sequence too (3/8.4.2, from memory).
            sequence.has_end = bool(data)
            verify_terminator(data, number, offset, "volume descriptor sequence", log)
            if identifier == 0 and sequence.logical_volume is not None:
                _log_lost(view, number, start + length // block_size, block_size, log)
            return 0, 0
        name = f"volume descriptor {identifier}"
        if not verify_tag(data, number, frozenset({identifier}), name, log, offset=offset):
            continue
        sequence.kinds.add(identifier)
        order = int.from_bytes(data[_NUMBER_AT : _NUMBER_AT + 4], "little")
        if identifier == _PRIMARY and sequence.counts(identifier, order):
            sequence.label = parse_dstring(data[24:56])
        elif identifier == _POINTER:
            following: tuple[int, int] = _NEXT.unpack_from(data)
            return following
        elif identifier == _PARTITION:
            partition = parse_partition_descriptor(data)
            if partition is not None and sequence.counts(identifier, order, partition.number):
                sequence.partitions[partition.number] = partition
        elif identifier == _LOGICAL_VOLUME and sequence.counts(identifier, order):
            sequence.logical_volume = parse_logical_volume(data)
    return 0, 0


def _log_lost(view: View, zeros: int, end: int, block_size: int, log: ProblemLog) -> None:
    """Log a block of zeros that ends a sequence although good descriptors come after it."""
    for number in range(zeros + 1, min(end, zeros + _MOST_DESCRIPTORS)):
        data, offset = read_sector(view, number, block_size), number * block_size
        tag = parse_descriptor_tag(data) if data else None
        if tag is None or tag.identifier == 0 or tag.location != number:
            continue
        expected = frozenset({tag.identifier})
        if verify_tag(data, number, expected, "", ProblemLog(), offset=offset):
            log.add(
                "udf-terminator",
                f"LBA {zeros * block_size // SECTOR_SIZE}",
                "a block of zeros ends the volume descriptor sequence, and descriptors that "
                "systems do not see come after it",
                offset=zeros * block_size,
                length=block_size,
                found=f"descriptor {tag.identifier} in block {number}",
                expected="nothing after the end",
            )
            return
