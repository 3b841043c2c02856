"""For each structural rule a disc with exactly that damage, and the disc without it.

``GOLDEN`` maps rules to cases; each case is made by its own arguments, byte by byte.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator

from golden_discs import (
    DEEP,
    ENHANCED,
    FAR,
    FILES,
    FIRST,
    JOLIET,
    LARGE,
    LAST,
    MASS_STORAGE,
    MOVED,
    PADDED,
    PLAIN,
    RIDGE,
    TOO_DEEP,
    TWO_FOLDERS,
    UDF,
    UDF_ALONE,
    Case,
    case_of,
    field,
    guid_partitions,
    hybrid,
    sign,
    signed,
    swap,
    udf_record,
    with_integrity,
    with_mirror,
)
from golden_parts import booting, parts
from image_moved import sparable_disc, virtual_disc
from image_parts import both16, both32, le16, le32, use_entry
from image_udf import make_udf
from make_image import SECTOR, cut, flip, make_iso, put, zero
from make_raw import mode_1_image


def _image() -> Iterator[tuple[str, Case]]:
    data = PLAIN.data
    end = PLAIN.file("/DIR/C.TXT")
    yield (
        "image-is-unpacked",
        case_of(
            MASS_STORAGE,
            PLAIN,
            gzip.compress(data, mtime=0),
        ),
    )
    yield "no-volume", case_of("ECMA-119 8.1", PLAIN, zero(data, 16 * SECTOR, 2 * SECTOR))
    yield (
        "raw-sectors",
        case_of(MASS_STORAGE, PLAIN, mode_1_image(data)),
    )
    yield (
        "image-is-whole",
        case_of("ECMA-119 8.4.8", PLAIN, cut(data, len(data) - SECTOR), "extent-inside-image"),
    )
    yield "extent-inside-image", case_of("ECMA-119 9.1.4", PLAIN, cut(data, end), "image-is-whole")
    yield (
        "image-reaches-volume-end",
        case_of("ECMA-119 8.4.8", PADDED, cut(PADDED.data, len(PADDED.data) - 5 * SECTOR)),
    )
    yield (
        "nothing-after-volume",
        case_of("common practice", PLAIN, data + b"more".ljust(SECTOR, b"!")),
    )
    disk = guid_partitions()
    yield "partition-table-checksum", Case("own behaviour", disk, flip(disk, 1024 + 20))
    whole = hybrid(PADDED.data, 64)
    yield (
        "image-reaches-partition-end",
        Case("own behaviour", whole, cut(whole, len(whole) - 8 * SECTOR)),
    )
    second = make_iso({"LATER.TXT": b"later"}, after=data + bytes(100 * SECTOR))
    yield "last-session-read", case_of("Linux kernel 6.12, fs/isofs/inode.c", PLAIN, second.data)
    high_sierra = put(zero(data, 16 * SECTOR, 2 * SECTOR), 16 * SECTOR + 9, b"CDROM\x01")
    yield "high-sierra-volume", case_of("Linux kernel 6.12, fs/isofs/inode.c", PLAIN, high_sierra)
    yield (
        "whole-sectors",
        case_of("Linux kernel 6.12, Documentation/usb/mass-storage.rst", PLAIN, data + bytes(100)),
    )
    smaller = field(PLAIN, "primary", "volume_space_size", both32(len(data) // SECTOR - 1))
    yield "extent-inside-volume", case_of("ECMA-119 8.4.8", PLAIN, smaller, "nothing-after-volume")


def _descriptors() -> Iterator[tuple[str, Case]]:
    data, joliet = PLAIN.data, JOLIET.at("joliet")
    yield "descriptor-identifier", case_of("ECMA-119 8.1", JOLIET, flip(JOLIET.data, joliet + 3))
    other_type = put(JOLIET.data, joliet, b"\x07")
    yield "descriptor-type", case_of("ECMA-119 8.1.1", JOLIET, other_type, "tree-announced")
    yield (
        "descriptor-version",
        case_of("ECMA-119 8.1", PLAIN, field(PLAIN, "primary", "version", b"\x09")),
    )
    yield (
        "descriptor-set-terminated",
        case_of("ECMA-119 8.3", PLAIN, zero(data, PLAIN.at("terminator"))),
    )
    gone = zero(JOLIET.data, JOLIET.at("primary"))
    yield (
        "primary-descriptor-present",
        case_of("ECMA-119 8.4", JOLIET, gone, "descriptor-identifier"),
    )
    place = ENHANCED.at("enhanced")
    twice = put(ENHANCED.data, place, ENHANCED.data[ENHANCED.at("primary") :][:SECTOR])
    yield "primary-copies-agree", case_of("common practice", twice, flip(twice, place + 900))
    late = swap(JOLIET.data, joliet, JOLIET.at("terminator"), SECTOR)
    yield "descriptor-before-terminator", case_of("ECMA-119 8.3", JOLIET, late, "tree-announced")
    count = len(JOLIET.data) // SECTOR
    larger = field(JOLIET, "joliet", "volume_space_size", both32(count + 1))
    yield "volume-sizes-agree", case_of("common practice", JOLIET, larger)
    other = field(JOLIET, "joliet", "escape_sequences", b"%/Z")
    yield (
        "tree-announced",
        case_of("Joliet specification 1, SVD Escape Sequences Field", JOLIET, other),
    )
    enhanced = ENHANCED.at("enhanced")
    single_bytes = put(put(ENHANCED.data, enhanced + 6, b"\x01"), enhanced + 88, b"(B")
    yield (
        "supplementary-volume-read",
        case_of("own behaviour", ENHANCED, put(single_bytes, enhanced + 881, b"\x01")),
    )
    set_size = PLAIN.field("primary", "volume_set_size")
    yield "both-orders-agree", case_of("ECMA-119 7.2.3", PLAIN, flip(data, set_size + 2))
    space_size = PLAIN.field("primary", "volume_space_size")
    yield (
        "both-orders-recorded",
        case_of("ECMA-119 7.3.3", PLAIN, zero(data, space_size + 4, 4)),
    )
    yield (
        "reserved-field-zero",
        case_of("ECMA-119 8.4", PLAIN, field(PLAIN, "primary", "reserved_882", b"\x01")),
    )
    block_size = field(PLAIN, "primary", "logical_block_size", both16(3000))
    yield "block-size", case_of("ECMA-119 8.4.12", PLAIN, block_size)
    number = field(PLAIN, "primary", "volume_sequence_number", both16(7))
    yield "volume-set-number", case_of("ECMA-119 8.4.11", PLAIN, number, "record-sequence-number")
    version = field(PLAIN, "primary", "file_structure_version", b"\x03")
    yield "file-structure-version", case_of("ECMA-119 8.4", PLAIN, version)
    date = field(PLAIN, "primary", "creation_date", b"19991301")
    yield "descriptor-date", case_of("ECMA-119 8.4.26.1", PLAIN, date)
    text = field(PLAIN, "primary", "publisher_identifier", b"lower case")
    yield "descriptor-characters", case_of("ECMA-119 7.4.1", PLAIN, text)
    yield (
        "joliet-volume-flags",
        case_of(
            "Joliet specification 1, SVD Volume Flags Field",
            JOLIET,
            field(JOLIET, "joliet", "volume_flags", b"\x01"),
        ),
    )
    root = PLAIN.field("primary", "root_record")
    yield "root-record", case_of("ECMA-119 9.1", PLAIN, put(data, root + 25, b"\0"))


def _directories() -> Iterator[tuple[str, Case]]:
    data = PLAIN.data
    folder, root = PLAIN.directory("/DIR"), PLAIN.directory("/")
    record = PLAIN.record("/DIR")
    beyond = put(data, record + 10, both32(len(data)))
    yield (
        "directory-readable",
        case_of(
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
    yield "directory-loop", case_of("own behaviour", PLAIN, loop, "path-table-agrees")
    yield "walk-bounded", case_of("own behaviour", DEEP, TOO_DEEP.data)
    yield (
        "self-record",
        case_of("ECMA-119 6.8.2.2", PLAIN, put(data, folder + 2, both32(root // SECTOR))),
    )
    parent = folder + data[folder]
    yield (
        "parent-record",
        case_of("ECMA-119 6.8.2.2", PLAIN, put(data, root + data[root] + 2, both32(19))),
    )
    yield (
        "parent-record-agrees",
        case_of("ECMA-119 6.8.2.2", PLAIN, put(data, parent + 2, both32(folder // SECTOR))),
    )
    first, last = PLAIN.record(FIRST), PLAIN.record(LAST)
    yield "record-length", case_of("ECMA-119 9.1.1", PLAIN, put(data, last, b"\x14"))
    sector = LARGE.directory("/")
    crossing = max(
        at for (what, _, _), at in LARGE.places.items() if what == "record" and at < sector + SECTOR
    )
    yield (
        "record-inside-sector",
        case_of("ECMA-119 6.8.1.1", LARGE, put(LARGE.data, crossing, b"\xfe")),
    )
    yield (
        "record-length-even",
        case_of("ECMA-119 9.1.12", PLAIN, put(data, last, bytes([data[last] + 1]))),
    )
    yield "sector-with-records", case_of("own behaviour", LARGE, zero(LARGE.data, sector + SECTOR))
    early = LARGE.record("/F0020.TXT")
    rest = zero(LARGE.data, early, sector + SECTOR - early)
    yield "records-without-gap", case_of("own behaviour", LARGE, rest)
    yield "sector-rest-zero", case_of("ECMA-119 6.8.1.1", PLAIN, put(data, folder + 2000, b"x"))
    yield "record-order", case_of("ECMA-119 9.3", PLAIN, put(data, first + 33, b"Z"))
    yield "record-flags", case_of("ECMA-119 9.1.6", PLAIN, put(data, first + 25, b"\x20"))
    yield "record-system-use", case_of("own behaviour", PLAIN, put(data, last + 32, b"\x05"))
    yield "record-date", case_of("ECMA-119 9.1.5", PLAIN, put(data, first + 19, b"\x0d"))
    yield "record-sequence-number", case_of("ECMA-119 9.1", PLAIN, put(data, first + 28, both16(2)))
    yield "identifier-characters", case_of("ECMA-119 7.4.1", PLAIN, put(data, last + 33, b"c"))
    yield "identifier-usable", case_of("ECMA-119 7.4.1", PLAIN, put(data, last + 33, b"/"))
    long_name = JOLIET.record(LAST, "joliet") + 33
    yield (
        "joliet-characters",
        case_of(
            "Joliet specification 1, Allowed Character Set",
            JOLIET,
            put(JOLIET.data, long_name, b"\0*"),
            "twin-names-agree",
        ),
    )
    yield (
        "identifiers-distinct",
        case_of("own behaviour", PLAIN, put(data, PLAIN.record("/B.TXT") + 33, b"A")),
    )
    yield "sections-complete", case_of("ECMA-119 9.1.6", PLAIN, put(data, last + 25, b"\x80"))
    yield "not-interleaved", case_of("own behaviour", PLAIN, put(data, last + 26, b"\x01\x01"))


def _path_tables() -> Iterator[tuple[str, Case]]:
    data = PLAIN.data
    little, big = PLAIN.path_table("l"), PLAIN.path_table("m")
    elsewhere = field(PLAIN, "primary", "type_m_path_table", FAR.to_bytes(4, "big"))
    yield "path-table-readable", case_of("ECMA-119 9.4", PLAIN, elsewhere, "path-tables-agree")
    # The root's record has 10 bytes; that of DIR follows.
    yield (
        "path-table-records",
        case_of(
            "ECMA-119 9.4",
            PLAIN,
            put(data, little + 10, b"\xc8"),
            "path-tables-agree",
            "path-table-agrees",
        ),
    )
    yield "path-tables-agree", case_of("ECMA-119 9.4", PLAIN, flip(data, big + 10 + 5))
    both = put(put(data, little + 12, le32(9)), big + 12, (9).to_bytes(4, "big"))
    yield "path-table-agrees", case_of("ECMA-119 9.4", PLAIN, both)
    made = TWO_FOLDERS
    places = [made.path_table(order) + 10 for order in "lm"]
    swapped = made.data
    for at in places:
        swapped = swap(swapped, at, at + 12, 12)
    yield "path-table-order", case_of("ECMA-119 6.9.1", made, swapped)


def _rock_ridge() -> Iterator[tuple[str, Case]]:
    data = RIDGE.data
    record = RIDGE.record("/B.TXT")
    use = data.index(b"PX", record)
    yield "rockridge-entry", case_of("SUSP 1.12, 4.1", RIDGE, put(data, use + 2, b"\xff"))
    announced = RIDGE.directory("/") + 34
    yield (
        "rockridge-announcement",
        case_of("SUSP 1.12, 5.3", RIDGE, put(data, announced + 4, b"\xbf")),
    )
    reference = data.index(b"ER", RIDGE.at("continuation"))
    yield (
        "rockridge-extension",
        case_of("SUSP 1.12, 5.5", RIDGE, put(data, reference, b"EQ")),
    )
    yield "rockridge-field", case_of("RRIP 1.12, 4.1.1", RIDGE, put(data, use + 4, b"\x07"))
    name = data.index(b"NM\x0a", record)
    yield "rockridge-name-present", case_of("own behaviour", RIDGE, put(data, name, b"OM"))
    mode = data.index(b"PX", RIDGE.record(LAST))
    yield "rockridge-entries-alike", case_of("own behaviour", RIDGE, put(data, mode, b"QX"))
    long = data.index(b"CE", RIDGE.record(FIRST))
    yield (
        "rockridge-continuation",
        case_of("SUSP 1.12, 5.1", RIDGE, put(data, long + 4, both32(FAR))),
    )
    child = MOVED.data.index(b"CL", MOVED.directory("/D"))
    yield (
        "rockridge-relocation",
        case_of("RRIP 1.12, 4.1.5.1", MOVED, put(MOVED.data, child + 4, both32(FAR))),
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
        yield rule, case_of(source, made, put(made.data, made.data.index(entry), signature))


def _udf() -> Iterator[tuple[str, Case]]:
    data = UDF.data
    end = UDF.at("recognition", path="TEA01")
    yield "udf-recognition", case_of("ECMA-167 2/9.3", UDF, zero(data, end))
    standard = UDF.at("recognition", path="NSR02")
    yield "udf-announced", case_of("ECMA-167 3/9.1", UDF, zero(data, standard))
    anchors = zero(zero(data, UDF.at("anchor")), UDF.at("last-anchor"))
    yield "udf-anchor", case_of("ECMA-167 3/10.2", UDF, anchors, "udf-tag", "udf-contents-not-read")
    last_anchor = zero(data, UDF.at("last-anchor"))
    yield "udf-anchor-copy", case_of("ECMA-167 3/8.4.2.1", UDF, last_anchor)
    volume = udf_record(6)
    yield "udf-contents-not-read", case_of("own behaviour", UDF, signed(volume, 440, b"\x03"))
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
    yield "udf-links", case_of("ECMA-167 4/14.6.6", UDF, link, "trees-agree")
    yield "udf-tag", case_of("ECMA-167 4/7.2.1", UDF, flip(data, file_entry + 60))
    short = data
    for name in ("anchor", "last-anchor"):
        at = UDF.at(name)
        short = sign(put(short, at + 16, le32(3 * SECTOR)), at)
    yield "udf-volume-descriptors", case_of("ECMA-167 3/10.6", UDF, short)
    ending = udf_record(8)
    yield "udf-terminator", case_of("ECMA-167 3/7.2", UDF, flip(data, ending + 60))
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
        case_of("ECMA-167 4/7.1", UDF, signed(file_entry, 176 + 4, le32(FAR)), "udf-file-entry"),
    )
    assert data[addresses : addresses + 4] == data[file_entry + 56 : file_entry + 60]
    yield "udf-file-entry", case_of("ECMA-167 4/14.9", UDF, signed(file_entry, 56, le32(9_000)))
    name = data.index(b"\x08A.TXT") - 38
    flagged = put(data, name + 18, b"\x02")
    yield "udf-directory", case_of("ECMA-167 4/14.4", UDF, sign(flagged, name))


_MAKERS: tuple[Callable[[], Iterator[tuple[str, Case]]], ...] = (
    _image,
    _descriptors,
    _directories,
    _path_tables,
    _rock_ridge,
    booting,
    _udf,
    parts,
)
GOLDEN: dict[str, Case] = {rule: case for make in _MAKERS for rule, case in make()}
