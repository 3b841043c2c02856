"""Sound discs of every kind, and what damages them byte by byte, for the golden cases."""

from __future__ import annotations

import binascii
import struct
from dataclasses import dataclass

from image_parts import FIELDS, le16, le32, tagged
from image_udf import TIMESTAMP, icb_tag, make_udf, regid
from make_image import SECTOR, Boot, MadeImage, flip, make_iso, put
from mediashelf.demo.floppy import make_boot_floppy

FILES = {"A.TXT": b"a" * 3000, "B.TXT": b"b" * 100, "DIR/C.TXT": b"c" * 100}
MANY = {f"F{number:04}.TXT": b"x" for number in range(60)}  # a root of two sectors
FLOPPY = make_boot_floppy("nothing here")
CODE = b"\xeb\xfe" + b"\x90" * 2046
PLAIN = make_iso(FILES)
JOLIET = make_iso(FILES, joliet=3)
ENHANCED = make_iso(FILES, enhanced=True)
LARGE = make_iso(MANY)
TWO_FOLDERS = make_iso({"DIR1/A.TXT": b"a", "DIR2/B.TXT": b"b"})
TWINS = make_iso({"A.TXT": b"same", "B.TXT": b"same"}, joliet=3)
RIDGE = make_iso(FILES, rock_ridge=True, long_names={"A.TXT": "n" * 200})
MOVED = make_iso({"D/E/F.TXT": b"f"}, rock_ridge=True, relocate=["/D/E"])
BOOT = make_iso(FILES, joliet=3, boot=Boot(CODE, sections=[(0xEF, [CODE])]))
FLOPPY_BOOT = make_iso(FILES, boot=Boot(FLOPPY, media=2, sectors=1))
PADDED = make_iso(FILES, pad_sectors=10)
UDF = make_iso(FILES, udf="NSR02")
UDF_ALONE = make_udf(FILES, SECTOR)
DEEP = make_iso({"/".join(["D"] * 255) + "/F.TXT": b"f"})
TOO_DEEP = make_iso({"/".join(["D"] * 257) + "/F.TXT": b"f"})


@dataclass(frozen=True)
class Case:
    """A sound disc, the damaged one, and the rules that this damage cannot but break as well.

    ``clause`` is what the damaged disc violates, in the words of the rule's source.
    """

    clause: str
    sound: bytes
    damaged: bytes
    also: frozenset[str] = frozenset()


def case_of(clause: str, sound: MadeImage | bytes, damaged: bytes, *also: str) -> Case:
    data = sound.data if isinstance(sound, MadeImage) else sound
    return Case(clause, data, damaged, frozenset(also))


def field(made: MadeImage, descriptor: str, name: str, value: bytes) -> bytes:
    """Another value in a field of a volume descriptor."""
    assert len(value) <= FIELDS[name][1]
    return put(made.data, made.field(descriptor, name), value)


def sign(data: bytes, at: int) -> bytes:
    """The UDF descriptor at ``at`` with CRC and checksum that fit."""
    (length,) = struct.unpack_from("<H", data, at + 10)
    crc = binascii.crc_hqx(data[at + 16 : at + 16 + length], 0)
    data = put(data, at + 8, le16(crc))
    return put(data, at + 4, bytes([(sum(data[at : at + 16]) - data[at + 4]) & 0xFF]))


def udf_record(tag: int, number: int = 0) -> int:
    """The place of the UDF record with this tag, of those at the start of a block."""
    found = [
        at
        for at in range(256 * SECTOR, len(UDF.data), SECTOR)
        if UDF.data[at : at + 2] == le16(tag)
    ]
    return found[number]


def signed(at: int, offset: int, new: bytes) -> bytes:
    """A UDF record with other bytes at ``offset``, signed anew."""
    return sign(put(UDF.data, at + offset, new), at)


def with_integrity(state: int = 1) -> bytes:
    """UDF alone with an integrity sequence of one descriptor; state 1 is closed, 0 is open."""
    data = UDF_ALONE
    main = 257
    (reserve,) = struct.unpack_from("<I", data, 256 * SECTOR + 28)
    for sequence in (main, reserve):
        at = (sequence + 1) * SECTOR
        data = sign(put(data, at + 432, le32(SECTOR) + le32(main + 4)), at)
    body = TIMESTAMP + le32(state) + bytes(40) + le32(1) + le32(0)
    return put(data, (main + 4) * SECTOR, tagged(9, main + 4, body))


def with_mirror(*, is_damaged: bool = False) -> bytes:
    """UDF alone with a metadata partition that nothing is in; its files are one good file entry."""
    mark = b"the metadata file".ljust(SECTOR, b"!")
    data = make_udf({**FILES, "META.BIN": mark}, SECTOR)
    lba = data.index(mark) // SECTOR
    block = lba - 262  # the partition begins after the anchor and five blocks
    (reserve,) = struct.unpack_from("<I", data, 256 * SECTOR + 28)
    kind = regid(b"*UDF Metadata Partition")
    row = bytes([2, 64, 0, 0]) + kind + le16(1) + le16(0) + le32(block) + le32(block)
    for sequence in (257, reserve):
        at = (sequence + 1) * SECTOR
        data = put(put(data, at + 264, le32(6 + 64) + le32(2)), at + 446, row.ljust(64, b"\0"))
        data = sign(data, at)
    entry = tagged(261, block, icb_tag(0xFA) + bytes(140))
    return put(data, lba * SECTOR, flip(entry, 100) if is_damaged else entry)


def checked_catalog(made: MadeImage, at: int, new: bytes) -> bytes:
    """The boot catalog's validation entry with other bytes, and a checksum that fits."""
    start = made.at("boot-catalog")
    data = put(put(made.data, start + at, new), start + 28, b"\0\0")
    words = struct.unpack_from("<16H", data, start)
    return put(data, start + 28, le16(-sum(words) & 0xFFFF))


def swap(data: bytes, one: int, other: int, size: int) -> bytes:
    """Two runs of bytes in each other's place."""
    first, second = data[one : one + size], data[other : other + size]
    return put(put(data, one, second), other, first)


def hybrid(data: bytes, sectors: int) -> bytes:
    """The disc as a disk too: itself as a partition, and one of zeros in ``sectors`` after it."""
    count = len(data) // 512
    entries = b""
    for kind, first, length in ((0x17, 0, count), (0xEF, count, sectors * 4)):
        entries += bytes([0, 0, 0, 0, kind, 0, 0, 0]) + le32(first) + le32(length)
    return put(put(data, 446, entries), 510, b"\x55\xaa") + bytes(sectors * SECTOR)


MASS_STORAGE = "Linux kernel 6.12, Documentation/usb/mass-storage.rst"


def loader(size: int = 5000) -> MadeImage:
    """A disc that boots from a file, which has a table of where it is and what is in it."""
    made = make_iso(
        {"LOADER.BIN": (b"\xeb\xfe" + b"code" * size)[:size]}, boot=Boot(CODE), pad_sectors=4
    )
    start = made.file("/LOADER.BIN")
    catalog = made.at("boot-catalog")
    place = le32(start // SECTOR)
    words = made.data[start + 64 : start + size] + bytes(-size % 4)
    total = sum(number for (number,) in struct.iter_unpack("<I", words)) & 0xFFFFFFFF
    table = le32(16) + place + le32(size) + le32(total)
    return MadeImage(put(put(made.data, start + 8, table), catalog + 40, place), made.places)


def guid_partitions() -> bytes:
    """A disc that is a disk too, with a GUID partition table of one partition."""
    data = hybrid(PADDED.data, 0)
    count = len(data) // 512
    entries = (b"kind" * 4 + b"itself" + bytes(10) + le32(60) + bytes(4) + le32(70)).ljust(
        512, b"\0"
    )
    for own, other, place in ((1, count - 1, 2), (count - 1, 1, count - 2)):
        numbers = own.to_bytes(8, "little") + other.to_bytes(8, "little") + bytes(32)
        numbers += place.to_bytes(8, "little") + le32(4) + le32(128)
        body = bytes(4) + numbers + le32(binascii.crc32(entries))
        head = b"EFI PART" + le32(0x10000) + le32(92)
        crc = binascii.crc32(head + bytes(4) + body)
        data = put(put(data, own * 512, head + le32(crc) + body), place * 512, entries)
    return data


FIRST, LAST = "/A.TXT", "/DIR/C.TXT"
FAR = 100_000  # a block past the end of every image here
