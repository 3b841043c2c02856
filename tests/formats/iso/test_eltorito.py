"""El Torito: worked checksums, every entry, sections and extensions, damage in each field."""

from __future__ import annotations

import pytest

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import Boot, MadeImage, flip, make_iso, put, zero
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.formats.iso.boot_catalog import words_sum
from mediashelf.formats.iso.eltorito import detect_boot_record
from mediashelf.formats.volume import BootFacts

FLOPPY = b"\xeb\x3c\x90" + bytes(1_474_560 - 3)


@pytest.fixture(scope="module")
def image() -> MadeImage:
    return make_iso(
        {"A.TXT": b"a"},
        boot=Boot(
            b"first" * 400,
            text=b"HARBOUR KIOSK",
            sections=[(0xEF, [b"e" * 3000]), (2, [b"m" * 512, b"n" * 512])],
        ),
    )


def read(data: bytes) -> DiscReading:
    return read_disc(BytesView(data))


def boot_of(data: bytes) -> BootFacts:
    boot = read(data).facts.boot
    assert boot is not None
    return boot


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in read(data).findings}


@pytest.mark.parametrize(("platform", "checksum"), [(0, 0x55AA), (0xEF, 0x66AA)])
def test_worked_checksums(platform: int, checksum: int) -> None:
    # Computed by hand from figure 2: all words of the entry add up to 0.
    entry = bytearray(32)
    entry[0], entry[1], entry[30:32] = 1, platform, b"\x55\xaa"
    entry[28:30] = checksum.to_bytes(2, "little")
    assert words_sum(bytes(entry)) == 0
    entry[5] ^= 1
    assert words_sum(bytes(entry)) != 0


def test_the_boot_record_names_the_catalog() -> None:
    # Figure 7: a double word at 47h.
    assert detect_boot_record(parts.boot_record(0x01020304)) == 0x01020304
    assert parts.boot_record(0x01020304)[0x47:0x4B] == bytes([4, 3, 2, 1])
    assert detect_boot_record(bytes(SECTOR)) is None


def test_the_control_offers_all_entries(image: MadeImage) -> None:
    # El Torito 1.0, figures 2 to 5.
    assert read(image.data).findings == ()
    boot = boot_of(image.data)
    assert boot.checksum_is_valid
    assert boot.id_text == "HARBOUR KIOSK"
    assert boot.catalog_lba == image.at("boot-catalog") // SECTOR
    assert [(e.section, e.platform_id, e.sector_count) for e in boot.entries] == [
        (0, 0, 4),
        (1, 0xEF, 6),
        (2, 2, 1),
        (2, 2, 1),
    ]
    first = boot.entries[0]
    assert (first.is_bootable, first.media_type, first.image_size) == (True, 0, 2048)
    assert first.load_lba == image.at("boot-image") // SECTOR


@pytest.mark.parametrize(("media", "size"), [(1, 1_228_800), (2, 1_474_560), (3, 2_949_120)])
def test_floppy_images_have_the_size_of_their_media(media: int, size: int) -> None:
    # 80 x 2 x 15, 18 or 36 sectors of 512 bytes.
    assert size == 80 * 2 * {1: 15, 2: 18, 3: 36}[media] * 512
    made = make_iso({}, boot=Boot(bytes(size), media=media, sectors=1))
    assert read(made.data).findings == ()
    assert boot_of(made.data).entries[0].image_size == size


@pytest.mark.parametrize("row", range(4))
def test_a_hard_disk_image_is_as_large_as_its_partition(row: int) -> None:
    # From memory: the partition table of a hard disk.
    table = bytearray(512 * 100)
    at = 446 + 16 * row
    table[at + 4] = 6
    table[at + 8 : at + 16] = parts.le32(63) + parts.le32(37)
    table[510:512] = b"\x55\xaa"
    made = make_iso({}, boot=Boot(bytes(table), media=4, sectors=1))
    assert boot_of(made.data).entries[0].image_size == 100 * 512
    plain = make_iso({}, boot=Boot(bytes(512), media=4, sectors=1))
    assert boot_of(plain.data).entries[0].image_size == 0


def test_every_byte_of_the_validation_entry_counts(image: MadeImage) -> None:
    # El Torito 1.0, figure 2: all words add up to 0.
    for at in range(32):
        found = rules(flip(image.data, image.at("boot-catalog") + at))
        assert "boot-checksum" in found, at
        if at in (0, 2, 3, 30, 31):
            assert "boot-validation-entry" in found, at
    assert not boot_of(flip(image.data, image.at("boot-catalog") + 28)).checksum_is_valid


def test_the_right_checksum_is_said(image: MadeImage) -> None:
    # El Torito 1.0, figure 2.
    at = image.at("boot-catalog") + 28
    right = int.from_bytes(image.data[at : at + 2], "little")
    (finding,) = read(put(image.data, at, b"\x12\x34")).findings
    assert finding.expected == f"{right:#06x}"


@pytest.mark.parametrize(
    ("at", "value"), [(0, 0x87), (1, 5), (1, 0x10), (1, 0x80), (5, 1), (12, 1), (31, 9)]
)
def test_undefined_values_of_the_initial_entry(image: MadeImage, at: int, value: int) -> None:
    # El Torito 1.0, figure 3.
    data = put(image.data, image.at("boot-catalog") + 32 + at, bytes([value]))
    assert "boot-entry" in rules(data)


def test_a_boot_image_outside_is_named(image: MadeImage) -> None:
    # El Torito 1.0, figure 3: load RBA.
    at = image.at("boot-catalog") + 32 + 8
    for lba in (0, len(image.data) // SECTOR, 0xFFFFFFFF):
        assert rules(put(image.data, at, parts.le32(lba))) == {"boot-image-inside"}
    not_bootable = put(put(image.data, at, parts.le32(0xFFFFFFFF)), at - 8, b"\x00")
    assert rules(not_bootable) == set()


def test_a_cut_floppy_image_is_named() -> None:
    # El Torito 1.0, figure 3: the medium implies the size.
    made = make_iso({}, boot=Boot(FLOPPY, media=2, sectors=1))
    assert "boot-image-inside" in rules(made.data[:-SECTOR])


def test_a_platform_that_nobody_knows(image: MadeImage) -> None:
    # El Torito 1.0, figures 2 and 4.
    at = image.at("boot-catalog") + 64 + 1
    assert rules(put(image.data, at, b"\x77")) == {"boot-platform"}


def test_the_boot_record_stands_in_sector_17(image: MadeImage) -> None:
    # El Torito 1.0, section 2.0.
    data = image.data
    record = data[image.at("boot-record") :][:SECTOR]
    end = data[image.at("terminator") :][:SECTOR]
    assert image.at("boot-record") == 17 * SECTOR
    moved = put(put(data, 18 * SECTOR, record), 19 * SECTOR, end)
    moved = put(moved, 17 * SECTOR, b"\x03CD001\x01".ljust(SECTOR, b"\0"))
    assert "boot-record-place" in rules(moved)


def test_bytes_of_the_boot_record(image: MadeImage) -> None:
    # El Torito 1.0, figure 7.
    start = image.at("boot-record")
    assert rules(flip(image.data, start + 6)) == {"boot-record-fields"}
    assert rules(flip(image.data, start + 50)) == {"boot-record-fields"}
    assert rules(flip(image.data, start + 8)) == {"boot-record-identifier"}
    assert "boot-catalog-readable" in rules(flip(image.data, start + 0x4A))
    assert boot_of(flip(image.data, start + 0x4A)).entries == ()


def test_a_zeroed_catalog(image: MadeImage) -> None:
    # El Torito 1.0, figure 2.
    found = rules(zero(image.data, image.at("boot-catalog")))
    assert "boot-validation-entry" in found


def with_catalog(*entries: bytes) -> bytes:
    made = make_iso({"A.TXT": b"a"}, boot=Boot(bytes(SECTOR)))
    start = made.at("boot-catalog")
    initial = made.data[start + 32 : start + 64]
    catalog = parts.validation_entry() + initial + b"".join(entries)
    return put(made.data, start, catalog.ljust(SECTOR, b"\0"))


def section_entry(*, more: bool = False, criteria: bytes = b"") -> bytes:
    lba = 20
    entry = bytearray(parts.boot_entry(lba, sectors=1, criteria=criteria))
    entry[1] |= 0x20 if more else 0
    return bytes(entry)


def test_extensions_are_stepped_over_however_they_are_counted() -> None:
    chain = [parts.section_extension(more=True), parts.section_extension(more=False)]
    end = [parts.section_header(1, 1, last=True), section_entry()]
    for count in (1, 3):  # El Torito counts entries; T13/2132-D counts extensions as well
        data = with_catalog(
            parts.section_header(0, count, last=False), section_entry(more=True), *chain, *end
        )
        assert rules(data) == set(), count
        assert [entry.section for entry in boot_of(data).entries] == [0, 1, 2]
    last = with_catalog(parts.section_header(0, 3, last=True), section_entry(more=True), *chain)
    assert rules(last) == set()
    assert [entry.section for entry in boot_of(last).entries] == [0, 1]


def test_section_criteria_are_no_damage() -> None:
    # El Torito 1.0, figure 5: bytes 0C to 1F are criteria.
    data = with_catalog(
        parts.section_header(0, 1, last=True), section_entry(criteria=b"\x01en criteria")
    )
    assert rules(data) == set()


def test_a_section_with_fewer_entries_than_it_says() -> None:
    # El Torito 1.0, figure 4: the number of entries.
    data = with_catalog(parts.section_header(0, 2, last=True), section_entry(), b"\x55" * 32)
    assert rules(data) == {"boot-section"}
    assert len(boot_of(data).entries) == 2


def test_a_missing_last_section() -> None:
    # El Torito 1.0, figure 4: 90 says that more follow.
    data = with_catalog(parts.section_header(0, 1, last=False), section_entry())
    assert rules(data) == {"boot-section"}


def test_what_follows_the_last_section_is_lost(image: MadeImage) -> None:
    # El Torito 1.0, figure 4: 91 is the final header, bytes 2 and 3 the number of entries.
    more = parts.section_header(1, 1, last=True), section_entry()
    data = with_catalog(parts.section_header(0, 1, last=True), section_entry(), *more)
    assert rules(data) == {"boot-section"}
    entries = with_catalog(parts.section_header(0, 1, last=True), section_entry(), section_entry())
    assert rules(entries) == {"boot-section"}
    none = with_catalog(parts.section_header(0, 0, last=True), section_entry())
    assert rules(none) == {"boot-section"}


@pytest.mark.parametrize("at", [7, 15, 29, 38])
def test_a_damaged_identifier_of_the_boot_record(image: MadeImage, at: int) -> None:
    # El Torito 1.0, figure 7: bytes 7 to 26 hexadecimal are the boot system identifier.
    record = image.at("boot-record")
    assert rules(flip(image.data, record + at)) == {"boot-record-identifier"}
    assert len(boot_of(flip(image.data, record + at)).entries) == 4
    # Without a good catalog it may be a boot record of another kind.
    neither = flip(flip(image.data, record + at), image.at("boot-catalog") + 30)
    assert rules(neither) == {"boot-record-known"}


def test_a_missing_extension_is_no_entry() -> None:
    # El Torito 1.0, figure 6.
    data = with_catalog(parts.section_header(0, 1, last=True), section_entry(more=True))
    assert [entry.section for entry in boot_of(data).entries] == [0, 1]


def test_an_endless_catalog_ends() -> None:
    # Own behaviour: 1,024 entries are read.
    made = make_iso({}, boot=Boot(bytes(SECTOR)))
    header = parts.section_header(0, 0xFFFF, last=False)
    entries = parts.validation_entry() + parts.boot_entry(20) + header + section_entry() * 5000
    data = made.data[: made.at("boot-catalog")] + entries
    boot = boot_of(data.ljust(-(-len(data) // SECTOR) * SECTOR, b"\0"))
    assert len(boot.entries) < 1100


def test_a_descriptor_copied_over_the_boot_record_takes_the_catalog_away() -> None:
    # El Torito 1.0, section 2.0: the boot record alone leads to the catalog.
    made = make_iso({"A.TXT": b"a"}, joliet=3, boot=Boot(b"first" * 400))
    record, joliet = made.at("boot-record"), made.at("joliet")
    over = put(made.data, record, made.data[joliet : joliet + SECTOR])
    assert rules(over) == {"boot-catalog-announced"}
    gone = zero(over, made.at("boot-catalog"))
    assert rules(gone) == set()
    lost = put(made.data, joliet, made.data[record : record + SECTOR])
    assert rules(lost) == {"tree-announced"}


def test_entries_of_zeros_are_none() -> None:
    # El Torito 1.0, figure 4: the number of entries; what is unused is zero.
    data = with_catalog(parts.section_header(0, 9, last=True), section_entry())
    assert rules(data) == {"boot-section"}
