"""The structures of a disc as bytes: descriptors, path tables, directory records, boot catalog.

Clauses are those of ECMA-119, 2nd edition, "Joliet" of the Joliet specification
1, "El Torito" of version 1.0. This is the writing side only, and shares no code
with the reading side in ``formats/``: each checks the other.
"""

from __future__ import annotations

import struct
from datetime import UTC, datetime
from typing import NamedTuple

from mediashelf.building.layout import Layout, TreePlaces, path_table_record_size, record_size
from mediashelf.building.naming_trees import Directory
from mediashelf.formats.volume import FLAG_DIRECTORY, SECTOR_SIZE, encode_record_date

APPLICATION = "MEDIASHELF"
"""The application identifier of every disc (8.4.20); no version, so that discs stay equal."""

JOLIET_LEVEL_3 = b"%/E"  # Joliet, SVD Escape Sequences Field

_HEADER = struct.Struct("<B5sB")  # 8.1: type, standard identifier, version
# Length, extended attribute length, extent and data length in both orders, date,
# flags, file unit size, interleave gap size, sequence number in both orders,
# length of the identifier (9.1).
_RECORD = struct.Struct("<BB8s8s7sBBB4sB")
_PATH_TABLE_L = struct.Struct("<BBIH")  # 9.4
_PATH_TABLE_M = struct.Struct(">BBIH")
# El Torito figures 2 and 3.
_VALIDATION = struct.Struct("<BBH24sHBB")
_INITIAL_ENTRY = struct.Struct("<BBHBBHI20x")

_NOT_SPECIFIED = b"0" * 16 + b"\0"  # 8.4.26.1, from memory


class Label(NamedTuple):
    """The volume identifier of both trees."""

    short: str
    long: str


def both_16(number: int) -> bytes:
    """Return a 16-bit number in both byte orders (7.2.3)."""
    return struct.pack("<H", number) + struct.pack(">H", number)


def both_32(number: int) -> bytes:
    """Return a 32-bit number in both byte orders (7.3.3)."""
    return struct.pack("<I", number) + struct.pack(">I", number)


def directory_record(identifier: bytes, lba: int, size: int, date: bytes, flags: int) -> bytes:
    """Return one directory record of even length (9.1); ``date`` is its 7-byte form."""
    fields = _RECORD.pack(
        record_size(identifier),
        0,
        both_32(lba),
        both_32(size),
        date,
        flags,
        0,
        0,
        both_16(1),
        len(identifier),
    )
    return fields + identifier + b"\0" * (record_size(identifier) - len(fields) - len(identifier))


def directory_sectors(directory: Directory) -> bytes:
    """Return a directory's whole sectors: self, parent, then its children in their order."""
    parent = directory.parent or directory
    sectors = bytearray(_own_record(directory, b"\0") + _own_record(parent, b"\1"))
    for child in directory.children:
        if isinstance(child.item, Directory):
            record = _own_record(child.item, child.identifier)
        else:
            content = child.item.content
            date = record_date(child.item.modified)
            record = directory_record(child.identifier, content.lba, content.size, date, 0)
        if len(sectors) % SECTOR_SIZE + len(record) > SECTOR_SIZE:  # 6.8.1.1
            sectors += bytes(-len(sectors) % SECTOR_SIZE)
        sectors += record
    return bytes(sectors) + bytes(-len(sectors) % SECTOR_SIZE)


def _own_record(directory: Directory, identifier: bytes) -> bytes:
    date = record_date(directory.folder.modified)
    return directory_record(identifier, directory.lba, directory.size, date, FLAG_DIRECTORY)


def record_date(seconds: int) -> bytes:
    """Return the 7-byte UTC date of seconds since 1970 (9.1.5), held within 1900 to 2155."""
    return encode_record_date(moment(seconds))


def moment(seconds: int) -> datetime:
    """Return the UTC moment of seconds since 1970, held within what discs can record."""
    first, last = -2208988800, 5869583999  # 1900-01-01 00:00:00 and 2155-12-31 23:59:59
    return datetime.fromtimestamp(min(max(seconds, first), last), UTC)


def path_tables(tree: TreePlaces) -> tuple[bytes, bytes]:
    """Return the type L and the type M path table (9.4), each in whole sectors."""
    tables = bytearray(), bytearray()
    for directory in tree.directories:
        parent = directory.parent or directory
        identifier = directory.identifier
        padding = bytes(path_table_record_size(identifier) - 8 - len(identifier))
        for table, form in zip(tables, (_PATH_TABLE_L, _PATH_TABLE_M), strict=True):
            table += form.pack(len(identifier), 0, directory.lba, parent.number)
            table += identifier + padding
    little, big = (bytes(table) + bytes(-len(table) % SECTOR_SIZE) for table in tables)
    return little, big


def volume_descriptor(layout: Layout, label: Label, made: datetime, *, joliet: bool) -> bytes:
    """Return the primary (8.4) or the Joliet supplementary (8.5) volume descriptor."""
    tree = layout.joliet if joliet else layout.iso
    date = _descriptor_date(made)

    def text(value: str, size: int) -> bytes:
        encoded = value.encode("utf-16-be" if joliet else "ascii")
        filler = "\0 ".encode("ascii") if joliet else b" "
        return (encoded + filler * size)[: size & ~1 if joliet else size].ljust(size, b"\0")

    fields = (
        _HEADER.pack(2 if joliet else 1, b"CD001", 1),
        b"\0",
        text("", 32),  # system identifier
        text(label.long if joliet else label.short, 32),
        bytes(8),
        both_32(layout.sectors),
        (JOLIET_LEVEL_3 if joliet else b"").ljust(32, b"\0"),
        both_16(1),  # volume set size
        both_16(1),  # volume sequence number
        both_16(SECTOR_SIZE),
        both_32(tree.path_table_size),
        struct.pack("<II", tree.path_table_l, 0),
        struct.pack(">II", tree.path_table_m, 0),
        _own_record(tree.root, b"\0"),
        text("", 128),  # volume set
        text("", 128),  # publisher
        text("", 128),  # data preparer
        text(APPLICATION, 128),
        text("", 37),  # copyright file
        text("", 37),  # abstract file
        text("", 37),  # bibliographic file
        date,  # creation
        date,  # modification
        _NOT_SPECIFIED,  # expiration
        _NOT_SPECIFIED,  # effective
        b"\1",  # file structure version
    )
    return b"".join(fields).ljust(SECTOR_SIZE, b"\0")


def _descriptor_date(made: datetime) -> bytes:
    return made.astimezone(UTC).strftime("%Y%m%d%H%M%S00").encode("ascii") + b"\0"


def set_terminator() -> bytes:
    """Return the volume descriptor set terminator (8.3)."""
    return _HEADER.pack(255, b"CD001", 1).ljust(SECTOR_SIZE, b"\0")


def boot_record(catalog: int) -> bytes:
    """Return the boot record volume descriptor (El Torito figure 7)."""
    name = b"EL TORITO SPECIFICATION".ljust(32, b"\0")
    fields = _HEADER.pack(0, b"CD001", 1) + name + bytes(32) + struct.pack("<I", catalog)
    return fields.ljust(SECTOR_SIZE, b"\0")


def boot_catalog(media_type: int, load_sectors: int, lba: int) -> bytes:
    """Return a catalog with a validation entry for 80x86 and one bootable entry."""
    blank = _VALIDATION.pack(1, 0, 0, b"", 0, 0x55, 0xAA)
    # All 16-bit words of the entry add up to zero.
    checksum = -sum(struct.unpack("<16H", blank)) & 0xFFFF
    validation = _VALIDATION.pack(1, 0, 0, b"", checksum, 0x55, 0xAA)
    initial = _INITIAL_ENTRY.pack(0x88, media_type, 0, 0, 0, load_sectors, lba)
    return (validation + initial).ljust(SECTOR_SIZE, b"\0")
