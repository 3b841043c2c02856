"""Golden cases of what boots, and of parts of a disc that contradict each other."""

from __future__ import annotations

from collections.abc import Iterator

from golden_discs import (
    BOOT,
    FAR,
    FIRST,
    FLOPPY_BOOT,
    JOLIET,
    LAST,
    PLAIN,
    TWINS,
    Case,
    case_of,
    checked_catalog,
    loader,
    swap,
)
from image_parts import both32, le32
from make_image import SECTOR, flip, make_iso, put, zero


def booting() -> Iterator[tuple[str, Case]]:
    data, record, catalog = BOOT.data, BOOT.at("boot-record"), BOOT.at("boot-catalog")
    yield (
        "boot-record-place",
        case_of("El Torito 1.0, section 2.0", BOOT, swap(data, record, BOOT.at("joliet"), SECTOR)),
    )
    primary = data[16 * SECTOR : 17 * SECTOR]
    yield (
        "boot-catalog-announced",
        case_of("El Torito 1.0, section 2.0", BOOT, put(data, record, primary)),
    )
    yield (
        "boot-record-known",
        case_of(
            "El Torito 1.0, figure 7", BOOT, put(data, record + 7, b"ANOTHER WAY TO BOOT".ljust(68))
        ),
    )
    yield (
        "boot-record-identifier",
        case_of("El Torito 1.0, figure 7", BOOT, flip(data, record + 7 + 3)),
    )
    yield (
        "boot-record-fields",
        case_of("El Torito 1.0, figure 7", BOOT, put(data, record + 50, b"\x01")),
    )
    yield (
        "boot-catalog-readable",
        case_of("El Torito 1.0, figure 7", BOOT, put(data, record + 71, le32(FAR))),
    )
    yield (
        "boot-validation-entry",
        case_of("El Torito 1.0, figure 2", BOOT, checked_catalog(BOOT, 30, b"\x55\xab")),
    )
    yield "boot-checksum", case_of("El Torito 1.0, figure 2", BOOT, put(data, catalog + 5, b"x"))
    yield (
        "boot-platform",
        case_of("El Torito 1.0, figure 2", BOOT, checked_catalog(BOOT, 1, b"\x07")),
    )
    yield "boot-entry", case_of("El Torito 1.0, figure 3", BOOT, put(data, catalog + 32, b"\x77"))
    yield "boot-section", case_of("El Torito 1.0, figure 4", BOOT, put(data, catalog + 64, b"\x90"))
    yield (
        "boot-image-inside",
        case_of("El Torito 1.0, figure 3", BOOT, put(data, catalog + 32 + 8, le32(FAR))),
    )
    unsigned = zero(FLOPPY_BOOT.data, FLOPPY_BOOT.at("boot-image") + 510, 2)
    yield "boot-image-form", case_of("from memory", FLOPPY_BOOT, unsigned)
    other_table = flip(FLOPPY_BOOT.data, FLOPPY_BOOT.at("boot-image") + 10 * 512 + 9)
    yield "file-tables-agree", case_of("from memory", FLOPPY_BOOT, other_table)
    made = loader()
    start = made.file("/LOADER.BIN")
    yield "boot-file-checksum", case_of("pycdlib 1.22", made, flip(made.data, start + 3000))
    yield "boot-file-table", case_of("pycdlib 1.22", made, flip(made.data, start + 12))
    count = made.at("boot-catalog") + 32 + 6
    yield (
        "boot-image-in-file",
        case_of("El Torito 1.0, figure 3", made, put(made.data, count, b"\x0d")),
    )


def parts() -> Iterator[tuple[str, Case]]:
    inside = PLAIN.file(FIRST) // SECTOR + 1
    moved = put(PLAIN.data, PLAIN.record(LAST) + 2, both32(inside))
    yield "extents-apart", case_of("common practice", PLAIN, moved)
    over = put(
        put(PLAIN.data, PLAIN.record(LAST) + 2, both32(17)), PLAIN.record(LAST) + 10, both32(SECTOR)
    )
    yield "extent-outside-descriptors", case_of("ECMA-119 8.1", PLAIN, over)
    hidden = put(JOLIET.data, JOLIET.record(LAST) + 25, b"\x01")
    yield "twin-flags-agree", case_of("ECMA-119 9.1.6", JOLIET, hidden)
    name = JOLIET.record(LAST, "joliet") + 33
    yield "twin-names-agree", case_of("own behaviour", JOLIET, put(JOLIET.data, name + 1, b"G"))
    older = put(JOLIET.data, JOLIET.record(LAST) + 18, b"\x50")
    yield "twin-dates-agree", case_of("ECMA-119 9.1.5", JOLIET, older)
    gone = put(JOLIET.data, JOLIET.record(LAST, "joliet"), b"\0")
    yield "trees-agree", case_of("common practice", JOLIET, gone, "sector-rest-zero")
    shared = TWINS.data
    for kind in ("iso9660", "joliet"):
        at = TWINS.record("/B.TXT", kind) + 2
        shared = put(shared, at, both32(TWINS.file("/A.TXT") // SECTOR))
    last = TWINS.record("/B.TXT", "joliet")
    yield (
        "trees-agree-in-number",
        case_of("common practice", shared, zero(shared, last, shared[last])),
    )
    small = {"A.TXT": b"one", "B.TXT": b"two"}
    told, untold = (
        make_iso(small, long_names=names, udf="NSR02", udf_embedded=list(small)).data
        for names in ({}, {"A.TXT": "one.dat", "B.TXT": "two.dat"})
    )
    yield "trees-agree-unclear", case_of("own behaviour", told, untold)
