"""Volume descriptors (ECMA-119 8): read as a set, each as one frozen value."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.formats.fields import (
    BothOrders,
    DescriptorDate,
    View,
    is_zero,
    parse_both_16,
    parse_both_32,
    parse_descriptor_date,
    read_sector,
)
from mediashelf.formats.iso.directories.directory_records import (
    SELF_IDENTIFIER,
    RootRecord,
    parse_root_record,
)
from mediashelf.formats.iso.joliet import detect_joliet_level
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import SECTOR_SIZE

FIRST_DESCRIPTOR = 16  # logical sector, from the start of a session
_SECTORS_AFTER_END = 3  # in which swapped or repeated sectors leave a descriptor
_MOST_DESCRIPTORS = 84  # the Linux kernel (6.12, fs/isofs) looks at as many sectors
_STANDARD_IDENTIFIER = b"CD001"  # 8.1
_END_HEAD = b"\xffCD001"
_ENHANCED_VERSION = 2  # ISO 9660:1999

_BOOT_RECORD, PRIMARY, _SUPPLEMENTARY, _PARTITION, _TERMINATOR = 0, 1, 2, 3, 255  # 8.1.1
_RECOGNITION = (b"BEA01", b"NSR02", b"NSR03", b"TEA01", b"BOOT2", b"CDW02")  # may follow, ECMA-167

# Byte offset and length of the text fields (8.4).
TEXT_FIELDS = {
    "system": (8, 32),
    "volume_set": (190, 128),
    "publisher": (318, 128),
    "preparer": (446, 128),
    "application": (574, 128),
    "copyright_file": (702, 37),
    "abstract_file": (739, 37),
    "bibliographic_file": (776, 37),
}
LABEL_FIELD = (40, 32)
DATE_FIELDS = {"creation": 813, "modification": 830, "expiration": 847, "effective": 864}
DATE_SIZE = 17


class PathTablePlaces(NamedTuple):
    """Block numbers of the path tables (8.4.14 to 8.4.17); 0 for an optional one that is absent."""

    type_l: int
    optional_type_l: int
    type_m: int
    optional_type_m: int


class VolumeDescriptor(Struct, frozen=True):
    """A primary or supplementary volume descriptor (8.4, 8.5); nothing in it is checked.

    ``data`` is the whole sector, for what is not among the fields.
    """

    lba: int
    type: int
    version: int
    volume_flags: int
    escape_sequences: bytes
    space_size: BothOrders  # blocks
    set_size: BothOrders
    sequence_number: BothOrders
    block_size: BothOrders  # bytes
    path_table_size: BothOrders  # bytes
    path_tables: PathTablePlaces
    root: RootRecord
    dates: dict[str, DescriptorDate]
    file_structure_version: int
    data: bytes

    @property
    def offset(self) -> int:
        """Byte offset of the descriptor in the image."""
        return self.lba * SECTOR_SIZE

    @property
    def joliet_level(self) -> int | None:
        """1 to 3 when this is a Joliet descriptor, else None."""
        # Readers go by the escape sequences alone, whatever the version is.
        return detect_joliet_level(self.escape_sequences) if self.type == _SUPPLEMENTARY else None

    @property
    def is_enhanced(self) -> bool:
        """Whether this is the version-2 descriptor of ISO 9660:1999."""
        is_version_2 = self.type == _SUPPLEMENTARY and self.version == _ENHANCED_VERSION
        return is_version_2 and self.joliet_level is None

    @property
    def name(self) -> str:
        """What findings call it."""
        if self.type == PRIMARY:
            return "primary volume descriptor"
        if self.is_enhanced:
            return "enhanced volume descriptor"
        if self.joliet_level:
            return "Joliet volume descriptor"
        return "supplementary volume descriptor"


class DescriptorSet(Struct, frozen=True):
    """The volume descriptors of a disc in recorded order; boot records as (lba, sector).

    ``unclear`` are those that are read for nothing; one may be a damaged one of another
    kind. ``last`` is the sector of the last one, or 0 when there are none. ``has_copy`` says
    that the primary descriptor, another one or the terminator is there twice.
    """

    primary: VolumeDescriptor | None = None
    supplementary: tuple[VolumeDescriptor, ...] = ()
    boot_records: tuple[tuple[int, bytes], ...] = ()
    unclear: tuple[VolumeDescriptor, ...] = ()
    last: int = 0
    has_copy: bool = False


@lru_cache(maxsize=16)  # those of one disc are read again where its parts are compared
def _parse_volume_descriptor(data: bytes, lba: int) -> VolumeDescriptor:
    """Return the descriptor in ``data``, a whole sector."""
    return VolumeDescriptor(
        lba=lba,
        type=data[0],
        version=data[6],
        volume_flags=data[7],
        escape_sequences=data[88:120],
        space_size=parse_both_32(data, 80),
        set_size=parse_both_16(data, 120),
        sequence_number=parse_both_16(data, 124),
        block_size=parse_both_16(data, 128),
        path_table_size=parse_both_32(data, 132),
        path_tables=PathTablePlaces(
            int.from_bytes(data[140:144], "little"),
            int.from_bytes(data[144:148], "little"),
            int.from_bytes(data[148:152], "big"),
            int.from_bytes(data[152:156], "big"),
        ),
        root=parse_root_record(data[156:190]),
        dates={
            name: parse_descriptor_date(data[at : at + DATE_SIZE])
            for name, at in DATE_FIELDS.items()
        },
        file_structure_version=data[881],
        data=data,
    )


def read_descriptor_set(view: View, log: ProblemLog, session: int = 0) -> DescriptorSet:
    """Return the descriptors from sector 16 of a session up to the terminator.

    ``session`` is the first sector of the session.

    A sector that is not a descriptor is logged and stepped over as long as a
    descriptor follows; a set without terminator is logged.
    """
    primary: VolumeDescriptor | None = None
    supplementary: list[VolumeDescriptor] = []
    boot_records: list[tuple[int, bytes]] = []
    unclear: list[VolumeDescriptor] = []
    has_copy = False
    first = session + FIRST_DESCRIPTOR
    sectors = _descriptor_sectors(view, first)
    if not sectors:
        return DescriptorSet()
    last = first + len(sectors) - 1
    after = [read_sector(view, last + number) for number in range(1, 1 + _SECTORS_AFTER_END)]
    for lba, data in enumerate(sectors, first):
        if data[1:6] != _STANDARD_IDENTIFIER:
            if data[1:6] not in _RECOGNITION:
                log.add(
                    "descriptor-identifier",
                    f"LBA {lba}",
                    "a sector in the volume descriptor set is not a volume descriptor",
                    offset=lba * SECTOR_SIZE + 1,
                    length=5,
                    found=repr(data[1:6]),
                    expected=repr(_STANDARD_IDENTIFIER),
                )
            continue
        kind = data[0]
        if kind != _SUPPLEMENTARY and (kind != PRIMARY or primary is not None):
            unclear.append(_parse_volume_descriptor(data, lba))
        if kind == _BOOT_RECORD:
            has_copy |= any(other == data for _, other in boot_records)
            boot_records.append((lba, data))
        elif kind == _SUPPLEMENTARY:
            has_copy |= any(other.data == data for other in supplementary)
            supplementary.append(_parse_volume_descriptor(data, lba))
        elif kind == PRIMARY:
            descriptor = _parse_volume_descriptor(data, lba)
            has_copy |= primary is not None
            if primary is None:
                primary = descriptor
            elif primary.data != data:
                log.add(
                    "primary-copies-agree",
                    f"LBA {lba}",
                    "a second primary volume descriptor differs from the first",
                    offset=descriptor.offset,
                )
        elif kind not in (_PARTITION, _TERMINATOR):
            log.add(
                "descriptor-type",
                f"LBA {lba}",
                "a volume descriptor has an undefined type",
                offset=lba * SECTOR_SIZE,
                found=kind,
                expected="0, 1, 2, 3 or 255",
            )
    _log_missing_end(sectors[-1], last, log)
    unclear += _descriptors_after_end(after, last, log)
    if primary is None:
        primary = _salvage_primary(sectors[0], first)
        log.add(
            "primary-descriptor-present",
            f"LBA {first}",
            "the disc has no primary volume descriptor"
            + ("; what is left of it was read" if primary else ""),
            offset=first * SECTOR_SIZE,
        )
    has_copy |= after[0][:6] == _END_HEAD
    return DescriptorSet(
        primary, tuple(supplementary), tuple(boot_records), tuple(unclear), last, has_copy
    )


def _salvage_primary(data: bytes, first: int) -> VolumeDescriptor | None:
    """Return the descriptor in the first sector if only its head is damaged."""
    if data[0] == _SUPPLEMENTARY:
        return None
    descriptor = _parse_volume_descriptor(data, first)
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
            if data[0] == _TERMINATOR:
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
        if data[1:6] == _STANDARD_IDENTIFIER and data[0] in (PRIMARY, _SUPPLEMENTARY):
            found.append(_parse_volume_descriptor(data, lba))
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
    if data[0] != _TERMINATOR:
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
