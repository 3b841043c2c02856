"""The volume descriptors of a disc (ECMA-119 8), read as a set."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.formats.fields import View, is_zero, read_sector
from mediashelf.formats.iso.directories.directory_records import SELF_IDENTIFIER
from mediashelf.formats.iso.volume_descriptor import (
    BOOT_RECORD,
    PARTITION,
    PRIMARY,
    SUPPLEMENTARY,
    TERMINATOR,
    VolumeDescriptor,
    parse_volume_descriptor,
)
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

FIRST_DESCRIPTOR = 16  # logical sector, from the start of a session
_SECTORS_AFTER_END = 3  # in which swapped or repeated sectors leave a descriptor
_MOST_DESCRIPTORS = 84  # the Linux kernel (6.12, fs/isofs) looks at as many sectors
_STANDARD_IDENTIFIER = b"CD001"  # 8.1
_END_HEAD = b"\xffCD001"
_RECOGNITION = (b"BEA01", b"NSR02", b"NSR03", b"TEA01", b"BOOT2", b"CDW02")  # may follow, ECMA-167


class DescriptorSet(Struct, frozen=True):
    """The volume descriptors of a disc in recorded order; boot records as (lba, sector).

    ``unclear`` are those that are read for nothing; one may be a damaged one of another
    kind. ``last`` is the sector of the last one, or 0 when there are none. ``fault`` is what
    shows that another one may be lost: one or the terminator is there twice, or it is missing.
    """

    primary: VolumeDescriptor | None = None
    supplementary: tuple[VolumeDescriptor, ...] = ()
    boot_records: tuple[tuple[int, bytes], ...] = ()
    unclear: tuple[VolumeDescriptor, ...] = ()
    last: int = 0
    fault: str = ""


def read_descriptor_set(view: View, log: ProblemLog, session: int = 0) -> DescriptorSet:
    """Return the descriptors from sector 16 of a session up to the terminator.

    ``session`` is the first sector of the session. A sector that is not a descriptor is
    logged and stepped over as long as a descriptor follows; a set without terminator is logged.
    """
    first = session + FIRST_DESCRIPTOR
    sectors = _descriptor_sectors(view, first)
    if not sectors:
        return DescriptorSet()
    last = first + len(sectors) - 1
    after = [read_sector(view, last + number) for number in range(1, 1 + _SECTORS_AFTER_END)]
    found = _Found(log)
    for lba, data in enumerate(sectors, first):
        found.take(lba, data)
    has_end = sectors[-1][0] == TERMINATOR
    _log_missing_end(sectors[-1], last, log)
    unclear = (*found.unclear, *_descriptors_after_end(after, last, log))
    primary = found.primary
    if primary is None:
        primary = _salvage_primary(sectors[0], first)
        log.add(
            "primary-descriptor-present",
            f"LBA {first}",
            "the disc has no primary volume descriptor"
            + ("; what is left of it was read" if primary else ""),
            offset=first * SECTOR_SIZE,
        )
    fault = "one descriptor twice" if found.has_copy or after[0][:6] == _END_HEAD else ""
    if not has_end:
        fault = "no terminator of its descriptors"
    return DescriptorSet(
        primary, tuple(found.supplementary), tuple(found.boot_records), unclear, last, fault
    )


class _Found:
    """The descriptors of a set, as they are come upon."""

    def __init__(self, log: ProblemLog) -> None:
        self._log = log
        self.primary: VolumeDescriptor | None = None
        self.supplementary: list[VolumeDescriptor] = []
        self.boot_records: list[tuple[int, bytes]] = []
        self.unclear: list[VolumeDescriptor] = []
        self.has_copy = False

    def take(self, lba: int, data: bytes) -> None:
        """Take the sector ``data`` for what it says that it is."""
        if data[1:6] != _STANDARD_IDENTIFIER:
            self._log_other(lba, data)
            return
        kind = data[0]
        if kind != SUPPLEMENTARY and (kind != PRIMARY or self.primary is not None):
            self.unclear.append(parse_volume_descriptor(data, lba))
        if kind == BOOT_RECORD:
            self.has_copy |= any(other == data for _, other in self.boot_records)
            self.boot_records.append((lba, data))
        elif kind == SUPPLEMENTARY:
            self.has_copy |= any(other.data == data for other in self.supplementary)
            self.supplementary.append(parse_volume_descriptor(data, lba))
        elif kind == PRIMARY:
            self._take_primary(lba, data)
        elif kind not in (PARTITION, TERMINATOR):
            self._log.add(
                "descriptor-type",
                f"LBA {lba}",
                "a volume descriptor has an undefined type",
                offset=lba * SECTOR_SIZE,
                found=kind,
                expected="0, 1, 2, 3 or 255",
            )

    def _take_primary(self, lba: int, data: bytes) -> None:
        if self.primary is None:
            self.primary = parse_volume_descriptor(data, lba)
            return
        self.has_copy = True
        if self.primary.data != data:
            self._log.add(
                "primary-copies-agree",
                f"LBA {lba}",
                "a second primary volume descriptor differs from the first",
                offset=lba * SECTOR_SIZE,
            )

    def _log_other(self, lba: int, data: bytes) -> None:
        if data[1:6] not in _RECOGNITION:
            self._log.add(
                "descriptor-identifier",
                f"LBA {lba}",
                "a sector in the volume descriptor set is not a volume descriptor",
                offset=lba * SECTOR_SIZE + 1,
                length=5,
                found=repr(data[1:6]),
                expected=repr(_STANDARD_IDENTIFIER),
            )


def _salvage_primary(data: bytes, first: int) -> VolumeDescriptor | None:
    """Return the descriptor in the first sector if only its head is damaged."""
    if data[0] == SUPPLEMENTARY:
        return None
    descriptor = parse_volume_descriptor(data, first)
    root = descriptor.root
    is_plausible = root.length == 34 and root.identifier == SELF_IDENTIFIER and root.extent.agrees
    return replace(descriptor, type=PRIMARY) if is_plausible and root.size.agrees else None


def _descriptor_sectors(view: View, first: int) -> list[bytes]:
    """Return the sectors up to the terminator, or else to the last descriptor; none without any."""
    sectors: list[bytes] = []
    count = 0
    for lba in range(first, first + _MOST_DESCRIPTORS):
        data = read_sector(view, lba)
        sectors.append(data)
        if data[1:6] == _STANDARD_IDENTIFIER:
            count = len(sectors)
            if data[0] == TERMINATOR:
                break
        elif not data or (count and len(sectors) - count > 4):
            break
    return sectors[:count]


def _descriptors_after_end(
    sectors: Iterable[bytes], last: int, log: ProblemLog
) -> list[VolumeDescriptor]:
    """Return, and log, volume descriptors that follow the terminator, where no reader looks."""
    found: list[VolumeDescriptor] = []
    for lba, data in enumerate(sectors, last + 1):
        if data[1:6] == _STANDARD_IDENTIFIER and data[0] in (PRIMARY, SUPPLEMENTARY):
            found.append(parse_volume_descriptor(data, lba))
            log.add(
                "descriptor-before-terminator",
                f"LBA {lba}",
                "a volume descriptor follows the terminator of the set, so systems do not see it",
                offset=lba * SECTOR_SIZE,
                length=SECTOR_SIZE,
                found=f"type {data[0]} after LBA {last}",
                expected="the terminator as the last descriptor",
            )
    return found


def _log_missing_end(data: bytes, lba: int, log: ProblemLog) -> None:
    if data[0] != TERMINATOR:
        log.add(
            "descriptor-set-terminated",
            f"LBA {lba}",
            "the volume descriptor set has no terminator",
            offset=(lba + 1) * SECTOR_SIZE,
            expected="a descriptor of type 255 at the end",
        )
    elif data[6] != 1 or not is_zero(data[7:]):
        log.add(
            "reserved-field-zero",
            f"LBA {lba}",
            "the volume descriptor set terminator has a wrong version or bytes that are not zero",
            offset=lba * SECTOR_SIZE + 6,
            expected="version 1, then zeros",
        )
