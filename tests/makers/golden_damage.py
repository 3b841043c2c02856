"""For each structural rule a disc with exactly that damage, and the disc without it.

``GOLDEN`` maps rules to cases; each case is made by its own arguments, byte by byte.
"""

from __future__ import annotations

import binascii
import gzip
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from image_moved import sparable_disc, virtual_disc
from image_parts import FIELDS, both16, both32, le16, le32, tagged, use_entry
from image_udf import TIMESTAMP, make_udf, regid
from make_image import SECTOR, Boot, MadeImage, cut, flip, make_iso, put, zero
from make_raw import mode_1_image
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


def _case(clause: str, sound: MadeImage | bytes, damaged: bytes, *also: str) -> Case:
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
    entry = tagged(261, block, bytes(11) + b"\xfa" + bytes(148))
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


def _image() -> Iterator[tuple[str, Case]]:
    data = PLAIN.data
    end = PLAIN.file("/DIR/C.TXT")
    yield (
        "image-is-unpacked",
        _case(
            MASS_STORAGE,
            PLAIN,
            gzip.compress(data, mtime=0),
        ),
    )
    yield "no-volume", _case("ECMA-119 8.1", PLAIN, zero(data, 16 * SECTOR, 2 * SECTOR))
    yield (
        "raw-sectors",
        _case(MASS_STORAGE, PLAIN, mode_1_image(data)),
    )
    yield (
        "image-is-whole",
        _case("ECMA-119 8.4.8", PLAIN, cut(data, len(data) - SECTOR), "extent-inside-image"),
    )
    yield "extent-inside-image", _case("ECMA-119 9.1.4", PLAIN, cut(data, end), "image-is-whole")
    yield (
        "image-reaches-volume-end",
        _case("ECMA-119 8.4.8", PADDED, cut(PADDED.data, len(PADDED.data) - 5 * SECTOR)),
    )
    yield (
        "nothing-after-volume",
        _case("common practice", PLAIN, data + b"more".ljust(SECTOR, b"!")),
    )
    disk = guid_partitions()
    yield "partition-table-checksum", Case("own behaviour", disk, flip(disk, 1024 + 20))
    whole = hybrid(PADDED.data, 64)
    yield (
        "image-reaches-partition-end",
        Case("own behaviour", whole, cut(whole, len(whole) - 8 * SECTOR)),
    )
    second = make_iso({"LATER.TXT": b"later"}, after=data + bytes(100 * SECTOR))
    yield "last-session-read", _case("Linux kernel 6.12, fs/isofs/inode.c", PLAIN, second.data)
    high_sierra = put(zero(data, 16 * SECTOR, 2 * SECTOR), 16 * SECTOR + 9, b"CDROM\x01")
    yield "high-sierra-volume", _case("Linux kernel 6.12, fs/isofs/inode.c", PLAIN, high_sierra)
    yield (
        "whole-sectors",
        _case("Linux kernel 6.12, Documentation/usb/mass-storage.rst", PLAIN, data + bytes(100)),
    )
    smaller = field(PLAIN, "primary", "volume_space_size", both32(len(data) // SECTOR - 1))
    yield "extent-inside-volume", _case("ECMA-119 8.4.8", PLAIN, smaller, "nothing-after-volume")


def _descriptors() -> Iterator[tuple[str, Case]]:
    data, joliet = PLAIN.data, JOLIET.at("joliet")
    yield "descriptor-identifier", _case("ECMA-119 8.1", JOLIET, flip(JOLIET.data, joliet + 3))
    other_type = put(JOLIET.data, joliet, b"\x07")
    yield "descriptor-type", _case("ECMA-119 8.1.1", JOLIET, other_type, "tree-announced")
    yield (
        "descriptor-version",
        _case("ECMA-119 8.1", PLAIN, field(PLAIN, "primary", "version", b"\x09")),
    )
    yield (
        "descriptor-set-terminated",
        _case("ECMA-119 8.3", PLAIN, zero(data, PLAIN.at("terminator"))),
    )
    gone = zero(JOLIET.data, JOLIET.at("primary"))
    yield "primary-descriptor-present", _case("ECMA-119 8.4", JOLIET, gone, "descriptor-identifier")
    place = ENHANCED.at("enhanced")
    twice = put(ENHANCED.data, place, ENHANCED.data[ENHANCED.at("primary") :][:SECTOR])
    yield "primary-copies-agree", _case("common practice", twice, flip(twice, place + 900))
    late = swap(JOLIET.data, joliet, JOLIET.at("terminator"), SECTOR)
    yield "descriptor-before-terminator", _case("ECMA-119 8.3", JOLIET, late, "tree-announced")
    count = len(JOLIET.data) // SECTOR
    larger = field(JOLIET, "joliet", "volume_space_size", both32(count + 1))
    yield "volume-sizes-agree", _case("common practice", JOLIET, larger)
    other = field(JOLIET, "joliet", "escape_sequences", b"%/Z")
    yield (
        "tree-announced",
        _case("Joliet specification 1, SVD Escape Sequences Field", JOLIET, other),
    )
    enhanced = ENHANCED.at("enhanced")
    single_bytes = put(put(ENHANCED.data, enhanced + 6, b"\x01"), enhanced + 88, b"(B")
    yield (
        "supplementary-volume-read",
        _case("own behaviour", ENHANCED, put(single_bytes, enhanced + 881, b"\x01")),
    )
    set_size = PLAIN.field("primary", "volume_set_size")
    yield "both-orders-agree", _case("ECMA-119 7.2.3", PLAIN, flip(data, set_size + 2))
    space_size = PLAIN.field("primary", "volume_space_size")
    yield (
        "both-orders-recorded",
        _case("ECMA-119 7.3.3", PLAIN, zero(data, space_size + 4, 4)),
    )
    yield (
        "reserved-field-zero",
        _case("ECMA-119 8.4", PLAIN, field(PLAIN, "primary", "reserved_882", b"\x01")),
    )
    block_size = field(PLAIN, "primary", "logical_block_size", both16(3000))
    yield "block-size", _case("ECMA-119 8.4.12", PLAIN, block_size)
    number = field(PLAIN, "primary", "volume_sequence_number", both16(7))
    yield "volume-set-number", _case("ECMA-119 8.4.11", PLAIN, number, "record-sequence-number")
    version = field(PLAIN, "primary", "file_structure_version", b"\x03")
    yield "file-structure-version", _case("ECMA-119 8.4", PLAIN, version)
    date = field(PLAIN, "primary", "creation_date", b"19991301")
    yield "descriptor-date", _case("ECMA-119 8.4.26.1", PLAIN, date)
    text = field(PLAIN, "primary", "publisher_identifier", b"lower case")
    yield "descriptor-characters", _case("ECMA-119 7.4.1", PLAIN, text)
    yield (
        "joliet-volume-flags",
        _case(
            "Joliet specification 1, SVD Volume Flags Field",
            JOLIET,
            field(JOLIET, "joliet", "volume_flags", b"\x01"),
        ),
    )
    root = PLAIN.field("primary", "root_record")
    yield "root-record", _case("ECMA-119 9.1", PLAIN, put(data, root + 25, b"\0"))


def _directories() -> Iterator[tuple[str, Case]]:
    data = PLAIN.data
    folder, root = PLAIN.directory("/DIR"), PLAIN.directory("/")
    record = PLAIN.record("/DIR")
    beyond = put(data, record + 10, both32(len(data)))
    yield (
        "directory-readable",
        _case(
            "ECMA-119 9.1.4",
            PLAIN,
            beyond,
            "self-record",
            "extent-inside-image",
            "record-length",
            "extents-apart",
        ),
    )
    loop = put(data, record + 2, both32(root // SECTOR))
    yield "directory-loop", _case("own behaviour", PLAIN, loop, "path-table-agrees")
    yield "walk-bounded", _case("own behaviour", DEEP, TOO_DEEP.data)
    yield (
        "self-record",
        _case("ECMA-119 6.8.2.2", PLAIN, put(data, folder + 2, both32(root // SECTOR))),
    )
    parent = folder + data[folder]
    yield (
        "parent-record",
        _case("ECMA-119 6.8.2.2", PLAIN, put(data, parent + 2, both32(folder // SECTOR))),
    )
    twin = JOLIET.directory("/DIR", "joliet")
    yield (
        "parent-record-itself",
        _case(
            "ECMA-119 6.8.2.2",
            JOLIET,
            put(JOLIET.data, twin + JOLIET.data[twin] + 2, both32(twin // SECTOR)),
        ),
    )
    first, last = PLAIN.record(FIRST), PLAIN.record(LAST)
    yield "record-length", _case("ECMA-119 9.1.1", PLAIN, put(data, last, b"\x14"))
    sector = LARGE.directory("/")
    crossing = max(
        at for (what, _, _), at in LARGE.places.items() if what == "record" and at < sector + SECTOR
    )
    yield (
        "record-inside-sector",
        _case("ECMA-119 6.8.1.1", LARGE, put(LARGE.data, crossing, b"\xfe")),
    )
    yield (
        "record-length-even",
        _case("ECMA-119 9.1.12", PLAIN, put(data, last, bytes([data[last] + 1]))),
    )
    yield "sector-with-records", _case("own behaviour", LARGE, zero(LARGE.data, sector + SECTOR))
    early = LARGE.record("/F0020.TXT")
    rest = zero(LARGE.data, early, sector + SECTOR - early)
    yield "records-without-gap", _case("own behaviour", LARGE, rest)
    yield "sector-rest-zero", _case("ECMA-119 6.8.1.1", PLAIN, put(data, folder + 2000, b"x"))
    yield "record-order", _case("ECMA-119 9.3", PLAIN, put(data, first + 33, b"Z"))
    yield "record-flags", _case("ECMA-119 9.1.6", PLAIN, put(data, first + 25, b"\x20"))
    yield "record-system-use", _case("own behaviour", PLAIN, put(data, last + 32, b"\x05"))
    yield "record-date", _case("ECMA-119 9.1.5", PLAIN, put(data, first + 19, b"\x0d"))
    yield "record-sequence-number", _case("ECMA-119 9.1", PLAIN, put(data, first + 28, both16(2)))
    yield "identifier-characters", _case("ECMA-119 7.4.1", PLAIN, put(data, last + 33, b"c"))
    yield "identifier-usable", _case("ECMA-119 7.4.1", PLAIN, put(data, last + 33, b"/"))
    long_name = JOLIET.record(LAST, "joliet") + 33
    yield (
        "joliet-characters",
        _case(
            "Joliet specification 1, Allowed Character Set",
            JOLIET,
            put(JOLIET.data, long_name, b"\0*"),
            "twin-names-agree",
        ),
    )
    yield (
        "identifiers-distinct",
        _case("own behaviour", PLAIN, put(data, PLAIN.record("/B.TXT") + 33, b"A")),
    )
    yield "sections-complete", _case("ECMA-119 9.1.6", PLAIN, put(data, last + 25, b"\x80"))
    yield "not-interleaved", _case("own behaviour", PLAIN, put(data, last + 26, b"\x01\x01"))


def _path_tables() -> Iterator[tuple[str, Case]]:
    data = PLAIN.data
    little, big = PLAIN.path_table("l"), PLAIN.path_table("m")
    elsewhere = field(PLAIN, "primary", "type_m_path_table", FAR.to_bytes(4, "big"))
    yield "path-table-readable", _case("ECMA-119 9.4", PLAIN, elsewhere, "path-tables-agree")
    # The root's record has 10 bytes; that of DIR follows.
    yield (
        "path-table-records",
        _case(
            "ECMA-119 9.4",
            PLAIN,
            put(data, little + 10, b"\xc8"),
            "path-tables-agree",
            "path-table-agrees",
        ),
    )
    yield "path-tables-agree", _case("ECMA-119 9.4", PLAIN, flip(data, big + 10 + 5))
    both = put(put(data, little + 12, le32(9)), big + 12, (9).to_bytes(4, "big"))
    yield "path-table-agrees", _case("ECMA-119 9.4", PLAIN, both)
    made = TWO_FOLDERS
    places = [made.path_table(order) + 10 for order in "lm"]
    swapped = made.data
    for at in places:
        swapped = swap(swapped, at, at + 12, 12)
    yield "path-table-order", _case("ECMA-119 6.9.1", made, swapped)


def _rock_ridge() -> Iterator[tuple[str, Case]]:
    data = RIDGE.data
    record = RIDGE.record("/B.TXT")
    use = data.index(b"PX", record)
    yield "rockridge-entry", _case("SUSP 1.12, 4.1", RIDGE, put(data, use + 2, b"\xff"))
    announced = RIDGE.directory("/") + 34
    yield (
        "rockridge-announcement",
        _case("SUSP 1.12, 5.3", RIDGE, put(data, announced + 4, b"\xbf")),
    )
    reference = data.index(b"ER", RIDGE.at("continuation"))
    yield (
        "rockridge-extension",
        _case("SUSP 1.12, 5.5", RIDGE, put(data, reference, b"EQ")),
    )
    yield "rockridge-field", _case("RRIP 1.12, 4.1.1", RIDGE, put(data, use + 4, b"\x07"))
    name = data.index(b"NM\x0a", record)
    yield "rockridge-name-present", _case("own behaviour", RIDGE, put(data, name, b"OM"))
    mode = data.index(b"PX", RIDGE.record(LAST))
    yield "rockridge-entries-alike", _case("own behaviour", RIDGE, put(data, mode, b"QX"))
    long = data.index(b"CE", RIDGE.record(FIRST))
    yield "rockridge-continuation", _case("SUSP 1.12, 5.1", RIDGE, put(data, long + 4, both32(FAR)))
    child = MOVED.data.index(b"CL", MOVED.directory("/D"))
    yield (
        "rockridge-relocation",
        _case("RRIP 1.12, 4.1.5.1", MOVED, put(MOVED.data, child + 4, both32(FAR))),
    )
    # An entry that nobody knows becomes one that says more of the file.
    for rule, signature, body, source in (
        ("rockridge-links", b"SL", b"\x00\x04\x00", "RRIP 1.12, 4.1.3"),
        (
            "rockridge-compressed",
            b"ZF",
            b"pz\x04\x0f" + both32(9),
            "Linux kernel 6.12, fs/isofs/rock.c",
        ),
    ):
        entry = use_entry(b"QQ", body)
        made = make_iso(FILES, rock_ridge=True, system_use={"/B.TXT": lambda lba, use=entry: use})
        yield rule, _case(source, made, put(made.data, made.data.index(entry), signature))


def _booting() -> Iterator[tuple[str, Case]]:
    data, record, catalog = BOOT.data, BOOT.at("boot-record"), BOOT.at("boot-catalog")
    yield (
        "boot-record-place",
        _case("El Torito 1.0, section 2.0", BOOT, swap(data, record, BOOT.at("joliet"), SECTOR)),
    )
    primary = data[16 * SECTOR : 17 * SECTOR]
    yield (
        "boot-catalog-announced",
        _case("El Torito 1.0, section 2.0", BOOT, put(data, record, primary)),
    )
    yield (
        "boot-record-known",
        _case(
            "El Torito 1.0, figure 7", BOOT, put(data, record + 7, b"ANOTHER WAY TO BOOT".ljust(68))
        ),
    )
    yield (
        "boot-record-identifier",
        _case("El Torito 1.0, figure 7", BOOT, flip(data, record + 7 + 3)),
    )
    yield (
        "boot-record-fields",
        _case("El Torito 1.0, figure 7", BOOT, put(data, record + 50, b"\x01")),
    )
    yield (
        "boot-catalog-readable",
        _case("El Torito 1.0, figure 7", BOOT, put(data, record + 71, le32(FAR))),
    )
    yield (
        "boot-validation-entry",
        _case("El Torito 1.0, figure 2", BOOT, checked_catalog(BOOT, 30, b"\x55\xab")),
    )
    yield "boot-checksum", _case("El Torito 1.0, figure 2", BOOT, put(data, catalog + 5, b"x"))
    yield "boot-platform", _case("El Torito 1.0, figure 2", BOOT, checked_catalog(BOOT, 1, b"\x07"))
    yield "boot-entry", _case("El Torito 1.0, figure 3", BOOT, put(data, catalog + 32, b"\x77"))
    yield "boot-section", _case("El Torito 1.0, figure 4", BOOT, put(data, catalog + 64, b"\x90"))
    yield (
        "boot-image-inside",
        _case("El Torito 1.0, figure 3", BOOT, put(data, catalog + 32 + 8, le32(FAR))),
    )
    unsigned = zero(FLOPPY_BOOT.data, FLOPPY_BOOT.at("boot-image") + 510, 2)
    yield "boot-image-form", _case("from memory", FLOPPY_BOOT, unsigned)
    other_table = flip(FLOPPY_BOOT.data, FLOPPY_BOOT.at("boot-image") + 10 * 512 + 9)
    yield "file-tables-agree", _case("from memory", FLOPPY_BOOT, other_table)
    made = loader()
    start = made.file("/LOADER.BIN")
    yield "boot-file-checksum", _case("pycdlib 1.22", made, flip(made.data, start + 3000))
    yield "boot-file-table", _case("pycdlib 1.22", made, flip(made.data, start + 12))
    count = made.at("boot-catalog") + 32 + 6
    yield (
        "boot-image-in-file",
        _case("El Torito 1.0, figure 3", made, put(made.data, count, b"\x0d")),
    )


def _udf() -> Iterator[tuple[str, Case]]:
    data = UDF.data
    end = UDF.at("recognition", path="TEA01")
    yield "udf-recognition", _case("ECMA-167 2/9.3", UDF, zero(data, end))
    standard = UDF.at("recognition", path="NSR02")
    yield "udf-announced", _case("ECMA-167 3/9.1", UDF, zero(data, standard))
    anchors = zero(zero(data, UDF.at("anchor")), UDF.at("last-anchor"))
    yield "udf-anchor", _case("ECMA-167 3/10.2", UDF, anchors, "udf-tag", "udf-contents-not-read")
    last_anchor = zero(data, UDF.at("last-anchor"))
    yield "udf-anchor-copy", _case("ECMA-167 3/8.4.2.1", UDF, last_anchor)
    volume = udf_record(6)
    yield "udf-contents-not-read", _case("own behaviour", UDF, signed(volume, 212, le32(512)))
    written_once = virtual_disc(FILES, old=True).data
    yield (
        "udf-moved-blocks",
        Case("UDF 2.60 2.2.11", written_once, written_once[:-SECTOR]),
    )
    worn, table = sparable_disc({**FILES, "D.TXT": b"d" * 70_000})
    spared = worn.data
    yield (
        "udf-sparing-tables",
        Case("UDF 2.60 2.2.12", spared, flip(spared, (table + 1) * SECTOR + 60)),
    )
    file_entry = udf_record(261, 1)
    link = signed(udf_record(261, 2), 27, b"\x0c")
    yield "udf-links", _case("ECMA-167 4/14.6.6", UDF, link, "trees-agree")
    yield "udf-tag", _case("ECMA-167 4/7.2.1", UDF, flip(data, file_entry + 60))
    short = data
    for name in ("anchor", "last-anchor"):
        at = UDF.at(name)
        short = sign(put(short, at + 16, le32(3 * SECTOR)), at)
    yield "udf-volume-descriptors", _case("ECMA-167 3/10.6", UDF, short)
    ending = udf_record(8)
    yield "udf-terminator", _case("ECMA-167 3/7.2", UDF, flip(data, ending + 60))
    # The partition descriptor of the reserve sequence: the last one on the disc.
    reserve = UDF_ALONE.rindex(b"+NSR02")
    yield (
        "udf-reserve-sequence",
        Case("ECMA-167 3/10.2", UDF_ALONE, flip(UDF_ALONE, reserve)),
    )
    yield (
        "udf-block-size",
        Case("own behaviour", UDF_ALONE, make_udf(FILES, 4096)),
    )
    closed = with_integrity()
    place = closed.index(le16(9) + le16(2), 257 * SECTOR)
    yield "udf-integrity", Case("ECMA-167 3/7.2", closed, flip(closed, place + 30))
    yield "udf-volume-closed", Case("fs/udf/super.c", closed, with_integrity(state=0))
    whole = with_mirror()
    damaged = with_mirror(is_damaged=True)
    yield "udf-metadata-mirror", Case("UDF 2.60 2.2.10", whole, damaged)
    addresses = file_entry + 176
    yield (
        "udf-address",
        _case("ECMA-167 4/7.1", UDF, signed(file_entry, 176 + 4, le32(FAR)), "udf-file-entry"),
    )
    assert data[addresses : addresses + 4] == data[file_entry + 56 : file_entry + 60]
    yield "udf-file-entry", _case("ECMA-167 4/14.9", UDF, signed(file_entry, 56, le32(9_000)))
    name = data.index(b"\x08A.TXT") - 38
    flagged = put(data, name + 18, b"\x02")
    yield "udf-directory", _case("ECMA-167 4/14.4", UDF, sign(flagged, name))


def _parts() -> Iterator[tuple[str, Case]]:
    inside = PLAIN.file(FIRST) // SECTOR + 1
    moved = put(PLAIN.data, PLAIN.record(LAST) + 2, both32(inside))
    yield "extents-apart", _case("common practice", PLAIN, moved)
    over = put(
        put(PLAIN.data, PLAIN.record(LAST) + 2, both32(17)), PLAIN.record(LAST) + 10, both32(SECTOR)
    )
    yield "extent-outside-descriptors", _case("ECMA-119 8.1", PLAIN, over)
    hidden = put(JOLIET.data, JOLIET.record(LAST) + 25, b"\x01")
    yield "twin-flags-agree", _case("ECMA-119 9.1.6", JOLIET, hidden)
    name = JOLIET.record(LAST, "joliet") + 33
    yield "twin-names-agree", _case("own behaviour", JOLIET, put(JOLIET.data, name + 1, b"G"))
    older = put(JOLIET.data, JOLIET.record(LAST) + 18, b"\x50")
    yield "twin-dates-agree", _case("ECMA-119 9.1.5", JOLIET, older)
    gone = put(JOLIET.data, JOLIET.record(LAST, "joliet"), b"\0")
    yield "trees-agree", _case("common practice", JOLIET, gone, "sector-rest-zero")
    shared = TWINS.data
    for kind in ("iso9660", "joliet"):
        at = TWINS.record("/B.TXT", kind) + 2
        shared = put(shared, at, both32(TWINS.file("/A.TXT") // SECTOR))
    last = TWINS.record("/B.TXT", "joliet")
    yield (
        "trees-agree-in-number",
        _case("common practice", shared, zero(shared, last, shared[last])),
    )
    small = {"A.TXT": b"one", "B.TXT": b"two"}
    told, untold = (
        make_iso(small, long_names=names, udf="NSR02", udf_embedded=list(small)).data
        for names in ({}, {"A.TXT": "one.dat", "B.TXT": "two.dat"})
    )
    yield "trees-agree-unclear", _case("own behaviour", told, untold)


_MAKERS: tuple[Callable[[], Iterator[tuple[str, Case]]], ...] = (
    _image,
    _descriptors,
    _directories,
    _path_tables,
    _rock_ridge,
    _booting,
    _udf,
    _parts,
)
GOLDEN: dict[str, Case] = {rule: case for make in _MAKERS for rule, case in make()}
