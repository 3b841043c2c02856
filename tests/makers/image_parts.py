"""The bytes of single ISO 9660, Joliet, Rock Ridge, El Torito and UDF structures.

Written from the layouts, apart from the package's own parsers, so that each can
check the other. Offsets are from 0 and in bytes.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Sequence

SECTOR = 2048
RECORD_DATE = bytes([99, 6, 1, 12, 0, 0, 0])  # 1 June 1999, 12:00:00 UTC
DESCRIPTOR_DATE = b"1999060112000000\x00"
NO_DATE = b"0" * 16 + b"\x00"
JOLIET_ESCAPES = {1: b"%/@", 2: b"%/C", 3: b"%/E"}

# Where the fields of a primary or supplementary volume descriptor stand, and
# how long they are.
FIELDS = {
    "type": (0, 1),
    "standard_identifier": (1, 5),
    "version": (6, 1),
    "volume_flags": (7, 1),
    "system_identifier": (8, 32),
    "volume_identifier": (40, 32),
    "unused_72": (72, 8),
    "volume_space_size": (80, 8),
    "escape_sequences": (88, 32),
    "volume_set_size": (120, 4),
    "volume_sequence_number": (124, 4),
    "logical_block_size": (128, 4),
    "path_table_size": (132, 8),
    "type_l_path_table": (140, 4),
    "optional_type_l_path_table": (144, 4),
    "type_m_path_table": (148, 4),
    "optional_type_m_path_table": (152, 4),
    "root_record": (156, 34),
    "volume_set_identifier": (190, 128),
    "publisher_identifier": (318, 128),
    "data_preparer_identifier": (446, 128),
    "application_identifier": (574, 128),
    "copyright_file_identifier": (702, 37),
    "abstract_file_identifier": (739, 37),
    "bibliographic_file_identifier": (776, 37),
    "creation_date": (813, 17),
    "modification_date": (830, 17),
    "expiration_date": (847, 17),
    "effective_date": (864, 17),
    "file_structure_version": (881, 1),
    "reserved_882": (882, 1),
    "application_use": (883, 512),
    "reserved_1395": (1395, 653),
}


def both16(value: int) -> bytes:
    """16 bits, least significant byte first and then most significant byte first."""
    return value.to_bytes(2, "little") + value.to_bytes(2, "big")


def both32(value: int) -> bytes:
    """32 bits in both byte orders."""
    return value.to_bytes(4, "little") + value.to_bytes(4, "big")


def le16(value: int) -> bytes:
    return value.to_bytes(2, "little")


def le32(value: int) -> bytes:
    return value.to_bytes(4, "little")


def directory_record(
    identifier: bytes,
    lba: int,
    size: int,
    *,
    flags: int = 0,
    date: bytes = RECORD_DATE,
    system_use: bytes = b"",
    extended_attribute_blocks: int = 0,
    unit_size: int = 0,
    gap_size: int = 0,
    sequence: int = 1,
) -> bytes:
    """One directory record; its length is always even."""
    body = (
        bytes([extended_attribute_blocks])
        + both32(lba)
        + both32(size)
        + date
        + bytes([flags, unit_size, gap_size])
        + both16(sequence)
        + bytes([len(identifier)])
        + identifier
        + b"\x00" * (len(identifier) % 2 == 0)
        + system_use
    )
    body += b"\x00" * (len(body) % 2 == 0)
    return bytes([len(body) + 1]) + body


def pack_records(records: Sequence[bytes]) -> tuple[bytes, list[int]]:
    """Records one after another, none across a sector; also the offset of each."""
    data, offsets = bytearray(), []
    for record in records:
        if len(data) % SECTOR + len(record) > SECTOR:
            data += b"\x00" * (-len(data) % SECTOR)
        offsets.append(len(data))
        data += record
    return bytes(data + b"\x00" * (-len(data) % SECTOR)), offsets


def path_table_record(identifier: bytes, lba: int, parent: int, order: str) -> bytes:
    """One path table record; ``order`` is ``little`` (type L) or ``big`` (type M)."""
    return (
        bytes([len(identifier), 0])
        + lba.to_bytes(4, order)  # type: ignore[arg-type]
        + parent.to_bytes(2, order)  # type: ignore[arg-type]
        + identifier
        + b"\x00" * (len(identifier) % 2)
    )


def volume_descriptor(
    *,
    kind: int,
    version: int,
    label: bytes,
    block_count: int,
    path_table_size: int,
    type_l: int,
    type_m: int,
    root: bytes,
    escape: bytes = b"",
    blank: bytes = b" ",
    texts: dict[str, bytes] | None = None,
) -> bytes:
    """A primary (1) or supplementary (2) volume descriptor."""
    data = bytearray(SECTOR)

    def put_field(name: str, value: bytes) -> None:
        at, size = FIELDS[name]
        assert len(value) <= size, name
        data[at : at + len(value)] = value

    def put_text(name: str, value: bytes) -> None:
        at, size = FIELDS[name]
        assert len(value) <= size, name
        filler = blank * size
        data[at : at + size] = value + filler[: size - len(value)]

    put_field("type", bytes([kind]))
    put_field("standard_identifier", b"CD001")
    put_field("version", bytes([version]))
    put_text("volume_identifier", label)
    put_field("volume_space_size", both32(block_count))
    put_field("escape_sequences", escape)
    put_field("volume_set_size", both16(1))
    put_field("volume_sequence_number", both16(1))
    put_field("logical_block_size", both16(SECTOR))
    put_field("path_table_size", both32(path_table_size))
    put_field("type_l_path_table", type_l.to_bytes(4, "little"))
    put_field("type_m_path_table", type_m.to_bytes(4, "big"))
    put_field("root_record", root)
    for name in FIELDS:
        if name.endswith("_identifier") and name not in (
            "standard_identifier",
            "volume_identifier",
        ):
            put_text(name, (texts or {}).get(name, b""))
    for name in ("creation_date", "modification_date"):
        put_field(name, DESCRIPTOR_DATE)
    for name in ("expiration_date", "effective_date"):
        put_field(name, NO_DATE)
    put_field("file_structure_version", bytes([2 if version == 2 else 1]))
    return bytes(data)


def terminator() -> bytes:
    return (b"\xffCD001\x01").ljust(SECTOR, b"\x00")


# --- El Torito ---------------------------------------------------------------


def boot_record(catalog_lba: int) -> bytes:
    head = b"\x00CD001\x01" + b"EL TORITO SPECIFICATION".ljust(32, b"\x00") + b"\x00" * 32
    return (head + le32(catalog_lba)).ljust(SECTOR, b"\x00")


def validation_entry(platform: int = 0, text: bytes = b"") -> bytes:
    """The first catalog entry; all its 16-bit words add up to 0."""
    entry = bytearray(bytes([1, platform, 0, 0]) + text.ljust(24, b"\x00") + b"\x00\x00\x55\xaa")
    words = sum(int.from_bytes(entry[at : at + 2], "little") for at in range(0, 32, 2))
    entry[28:30] = le16(-words & 0xFFFF)
    return bytes(entry)


def boot_entry(
    load_lba: int,
    *,
    bootable: bool = True,
    media: int = 0,
    sectors: int = 4,
    segment: int = 0,
    system_type: int = 0,
    criteria: bytes = b"",
) -> bytes:
    """An initial entry or a section entry."""
    head = bytes([0x88 if bootable else 0, media]) + le16(segment) + bytes([system_type, 0])
    return (head + le16(sectors) + le32(load_lba) + criteria).ljust(32, b"\x00")


def section_header(platform: int, count: int, *, last: bool, text: bytes = b"") -> bytes:
    return (bytes([0x91 if last else 0x90, platform]) + le16(count) + text).ljust(32, b"\x00")


def section_extension(*, more: bool, criteria: bytes = b"") -> bytes:
    return (bytes([0x44, 0x20 if more else 0]) + criteria).ljust(32, b"\x00")


# --- Rock Ridge --------------------------------------------------------------


def use_entry(signature: bytes, body: bytes, version: int = 1) -> bytes:
    """One system use entry: signature, length, version, body."""
    return signature + bytes([len(body) + 4, version]) + body


def sharing_protocol(skip: int = 0) -> bytes:
    return use_entry(b"SP", b"\xbe\xef" + bytes([skip]))


def extensions_reference(identifier: bytes = b"RRIP_1991A") -> bytes:
    about = b"FILE NAMES OF MIXED CASE AND ANY LENGTH"
    sizes = bytes([len(identifier), len(about), 0, 1])
    return use_entry(b"ER", sizes + identifier + about)


def file_attributes(*, is_directory: bool) -> bytes:
    """Mode, links, user and group (PX)."""
    mode = 0o040555 if is_directory else 0o100444
    return use_entry(b"PX", both32(mode) + both32(1) + both32(0) + both32(0))


def alternate_name(name: bytes, flags: int = 0) -> bytes:
    return use_entry(b"NM", bytes([flags]) + name)


def continuation(lba: int, offset: int, size: int) -> bytes:
    return use_entry(b"CE", both32(lba) + both32(offset) + both32(size))


def child_link(lba: int) -> bytes:
    return use_entry(b"CL", both32(lba))


def parent_link(lba: int) -> bytes:
    return use_entry(b"PL", both32(lba))


def relocated_mark() -> bytes:
    return use_entry(b"RE", b"")


# --- UDF ---------------------------------------------------------------------


def recognition(identifier: bytes) -> bytes:
    """One structure of the volume recognition sequence, such as ``NSR02``."""
    return (b"\x00" + identifier + b"\x01").ljust(SECTOR, b"\x00")


def tagged_bare(tag: int, location: int, body: bytes, *, version: int = 2) -> bytes:
    """A UDF descriptor: 16-byte tag with checksum and CRC, then the body."""
    head = bytearray(
        le16(tag)
        + le16(version)
        + b"\x00\x00"
        + le16(0)
        + le16(crc_hqx(body, 0))
        + le16(len(body))
        + le32(location)
    )
    head[4] = sum(head) & 0xFF
    return bytes(head) + body


def tagged(tag: int, location: int, body: bytes, *, version: int = 2) -> bytes:
    """A UDF descriptor that fills a sector."""
    return tagged_bare(tag, location, body.ljust(496, b"\x00"), version=version).ljust(
        SECTOR, b"\x00"
    )


def dstring(text: str, size: int) -> bytes:
    """Compressed text with its length in the last byte (8 bits a character)."""
    coded = b"\x08" + text.encode("latin-1")
    return coded.ljust(size - 1, b"\x00") + bytes([len(coded)])


def anchor(location: int, main_lba: int, main_size: int, *, version: int = 2) -> bytes:
    body = le32(main_size) + le32(main_lba) + le32(0) + le32(0)
    return tagged(2, location, body, version=version)
