"""One volume descriptor (ECMA-119 8.4 and 8.5) as a frozen value."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from msgspec import Struct

from mediashelf.formats.fields import (
    BothOrders,
    DescriptorDate,
    parse_both_16,
    parse_both_32,
    parse_descriptor_date,
)
from mediashelf.formats.iso.joliet import detect_joliet_level
from mediashelf.formats.volume import SECTOR_SIZE

_ENHANCED_VERSION = 2  # ISO 9660:1999

BOOT_RECORD, PRIMARY, SUPPLEMENTARY, PARTITION, TERMINATOR = 0, 1, 2, 3, 255  # 8.1.1

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


class RootRecord(NamedTuple):
    """The root directory's record in a volume descriptor, with both copies of its numbers."""

    length: int
    extended_attribute_blocks: int
    extent: BothOrders
    size: BothOrders
    flags: int
    identifier: bytes
    sequence_number: BothOrders


def parse_root_record(data: bytes) -> RootRecord:
    """Return the fields of a 34-byte record (9.1, 8.4.18); nothing is checked."""
    return RootRecord(
        length=data[0],
        extended_attribute_blocks=data[1],
        extent=parse_both_32(data, 2),
        size=parse_both_32(data, 10),
        flags=data[25],
        identifier=data[33 : 33 + data[32]],
        sequence_number=parse_both_16(data, 28),
    )


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
        return detect_joliet_level(self.escape_sequences) if self.type == SUPPLEMENTARY else None

    @property
    def is_enhanced(self) -> bool:
        """Whether this is the version-2 descriptor of ISO 9660:1999."""
        is_version_2 = self.type == SUPPLEMENTARY and self.version == _ENHANCED_VERSION
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


@lru_cache(maxsize=16)  # those of one disc are read again where its parts are compared
def parse_volume_descriptor(data: bytes, lba: int) -> VolumeDescriptor:
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
