"""Volume descriptors: every field damaged in turn, the set with holes and without an end."""

from __future__ import annotations

import pytest

import image_parts as parts
from byte_views import BytesView
from image_parts import FIELDS, SECTOR
from make_image import Boot, MadeImage, flip, make_iso, put, zero
from mediashelf.findings import Finding, Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.iso.descriptors import read_descriptor_set
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.volume import VolumeKind


@pytest.fixture(scope="module")
def image() -> MadeImage:
    return make_iso({"README.TXT": b"hello", "DIR/A.TXT": b"a"}, label="TIDES", joliet=3)


def findings(data: bytes) -> tuple[Finding, ...]:
    return read_disc(BytesView(data)).findings


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in findings(data)}


def test_the_control_has_no_findings(image: MadeImage) -> None:
    disc = read_disc(BytesView(image.data))
    assert disc.findings == ()
    primary, joliet = disc.facts.volumes
    assert (primary.kind, primary.label) == (VolumeKind.ISO9660, "TIDES")
    assert primary.block_count * primary.block_size == len(image.data)
    assert primary.created == "1999-06-01T12:00:00+00:00"
    assert (joliet.kind, joliet.label, joliet.joliet_level) == (VolumeKind.JOLIET, "TIDES", 3)


# What a flip of the field's first byte must be called.
FIELD_RULES = {
    "type": "descriptor-type",
    "standard_identifier": "descriptor-identifier",
    "version": "descriptor-version",
    "volume_flags": "reserved-field-zero",
    "system_identifier": "descriptor-characters",
    "volume_identifier": "descriptor-characters",
    "unused_72": "reserved-field-zero",
    "volume_space_size": "both-orders-agree",
    "escape_sequences": "reserved-field-zero",
    "volume_set_size": "both-orders-agree",
    "volume_sequence_number": "both-orders-agree",
    "logical_block_size": "both-orders-agree",
    "path_table_size": "both-orders-agree",
    "type_l_path_table": "path-tables-agree",
    "optional_type_l_path_table": "path-tables-agree",
    "type_m_path_table": "path-tables-agree",
    "optional_type_m_path_table": "path-tables-agree",
    "root_record": "root-record",
    "volume_set_identifier": "descriptor-characters",
    "publisher_identifier": "descriptor-characters",
    "data_preparer_identifier": "descriptor-characters",
    "application_identifier": "descriptor-characters",
    "copyright_file_identifier": "descriptor-characters",
    "abstract_file_identifier": "descriptor-characters",
    "bibliographic_file_identifier": "descriptor-characters",
    "creation_date": "descriptor-date",
    "modification_date": "descriptor-date",
    "expiration_date": "descriptor-date",
    "effective_date": "descriptor-date",
    "file_structure_version": "file-structure-version",
    "reserved_882": "reserved-field-zero",
    "reserved_1395": "reserved-field-zero",
}


def test_every_field_but_free_space_has_a_rule() -> None:
    # ECMA-119 8.4: fields up to byte 882; 883 to 1394 are for applications.
    assert FIELDS.keys() - FIELD_RULES.keys() == {"application_use"}


@pytest.mark.parametrize("name", FIELD_RULES)
def test_a_flipped_field_is_named(image: MadeImage, name: str) -> None:
    # ECMA-119 8.4: the fields of the descriptor, each with its clause in the rule's source.
    at = image.field("primary", name)
    found = findings(flip(image.data, at))
    assert FIELD_RULES[name] in {finding.rule for finding in found}
    assert any(
        finding.offset is not None and abs(finding.offset - at) <= FIELDS[name][1]
        for finding in found
    ) or name.endswith("path_table")


NUMBERS = ["volume_space_size", "path_table_size", "volume_set_size", "logical_block_size"]


@pytest.mark.parametrize("name", NUMBERS)
def test_each_byte_of_each_copy_counts(image: MadeImage, name: str) -> None:
    # ECMA-119 7.2.3 and 7.3.3: one number in both byte orders.
    start, size = image.field("primary", name), FIELDS[name][1]
    for at in range(start, start + size):
        assert "both-orders-agree" in rules(flip(image.data, at)), at - start


def test_a_damaged_volume_size_does_not_put_files_outside(image: MadeImage) -> None:
    # Own behaviour: the copy is used that is nearer to the image's size.
    start, size = image.field("primary", "volume_space_size"), FIELDS["volume_space_size"][1]
    for at in range(start, start + size):
        assert rules(flip(image.data, at)) == {"both-orders-agree"}


def test_numbers_out_of_order_do_not_keep_the_trees_from_being_read(image: MadeImage) -> None:
    # Own behaviour: a descriptor is read with the likelier copies of its numbers.
    for name in (*NUMBERS, "type_l_path_table", "escape_sequences"):
        disc = read_disc(BytesView(flip(image.data, image.field("primary", name))))
        assert [entry.path for entry in disc.facts.volumes[0].entries] == [
            "/DIR",
            "/README.TXT",
            "/DIR/A.TXT",
        ]


def test_a_root_extent_with_one_good_copy_is_read(image: MadeImage) -> None:
    # Byte 5 is the highest of the little-endian extent; the other copy still is right.
    at = image.field("primary", "root_record") + 5
    disc = read_disc(BytesView(flip(image.data, at)))
    assert len(disc.facts.volumes[0].entries) == 3


def test_a_set_without_terminator(image: MadeImage) -> None:
    # ECMA-119 8.3: a descriptor of type 255 ends the set.
    data = zero(image.data, image.at("terminator"))
    assert rules(data) == {"descriptor-set-terminated"}
    assert len(read_disc(BytesView(data)).facts.volumes) == 2


def test_the_terminator_holds_nothing_else(image: MadeImage) -> None:
    # ECMA-119 8.3: type 255, CD001, version 1, then zeros.
    for at in (6, 7, 2047):
        assert rules(flip(image.data, image.at("terminator") + at)) == {"reserved-field-zero"}


def test_a_damaged_primary_descriptor_leaves_joliet(image: MadeImage) -> None:
    # ECMA-119 8.1: a descriptor is known by type and identifier; reading on is own behaviour.
    disc = read_disc(BytesView(zero(image.data, image.at("primary"))))
    assert [volume.kind for volume in disc.facts.volumes] == [VolumeKind.JOLIET]
    assert {finding.rule for finding in disc.findings} == {
        "descriptor-identifier",
        "primary-descriptor-present",
    }


@pytest.mark.parametrize("name", ["type", "standard_identifier"])
def test_a_primary_descriptor_with_a_damaged_head_is_read(image: MadeImage, name: str) -> None:
    # Own behaviour: a root record as in ECMA-119 8.4.18 tells that the rest is left.
    disc = read_disc(BytesView(flip(image.data, image.field("primary", name))))
    assert {volume.kind for volume in disc.facts.volumes} == {
        VolumeKind.ISO9660,
        VolumeKind.JOLIET,
    }
    assert "primary-descriptor-present" in {finding.rule for finding in disc.findings}
    assert disc.facts.volumes[0].label == "TIDES"


def test_descriptors_of_other_kinds_alone_are_no_volume() -> None:
    # ECMA-119 8.1.1: types 0 and 255 describe no volume.
    data = bytes(16 * SECTOR) + parts.boot_record(20) + parts.terminator() + bytes(4 * SECTOR)
    disc = read_disc(BytesView(data))
    assert not disc.facts.looks_raw
    assert "no-volume" in {finding.rule for finding in disc.findings}


def test_a_second_primary_descriptor_must_be_equal() -> None:
    # Common practice, so a note.
    made = make_iso({"A.TXT": b"a"}, enhanced=True)
    primary = made.data[made.at("primary") : made.at("primary") + SECTOR]
    copied = put(made.data, made.at("enhanced"), primary)
    assert rules(copied) == set()
    assert rules(flip(copied, made.at("enhanced") + 883)) == {"primary-copies-agree"}


@pytest.mark.parametrize(("level", "escape"), [(1, b"%/@"), (2, b"%/C"), (3, b"%/E")])
def test_joliet_is_known_by_its_escape_sequences(level: int, escape: bytes) -> None:
    # Joliet specification, "SVD Escape Sequences Field": 25 2F 40, 25 2F 43, 25 2F 45.
    made = make_iso({"A.TXT": b"a"}, joliet=level)
    at = made.field("joliet", "escape_sequences")
    assert made.data[at : at + 3] == escape
    disc = read_disc(BytesView(made.data))
    assert disc.facts.volumes[1].joliet_level == level
    assert disc.facts.volumes[1].detail == f"level {level}"
    other = read_disc(BytesView(put(made.data, at, b"%/A")))
    assert len(other.facts.volumes) == 1
    (finding,) = other.findings
    assert (finding.rule, finding.severity) == ("tree-announced", Severity.ERROR)


@pytest.mark.parametrize("kind", [0, 1, 3, 7])
def test_a_joliet_tree_whose_descriptor_has_another_type(kind: int) -> None:
    # ECMA-119 8.1.1: 2 is that of a supplementary descriptor.
    made = make_iso({"A.TXT": b"a", "Z/B.TXT": b"b"}, joliet=3)
    found = rules(put(made.data, made.at("joliet"), bytes([kind])))
    assert "tree-announced" in found


def test_the_version_does_not_hide_a_joliet_tree() -> None:
    # ECMA-119 8.1: version 1; the escape sequences say what it is.
    made = make_iso({"A.TXT": b"a"}, joliet=3)
    disc = read_disc(BytesView(put(made.data, made.field("joliet", "version"), b"\x02")))
    assert [volume.kind.value for volume in disc.facts.volumes] == ["iso9660", "joliet"]
    assert [finding.rule for finding in disc.findings] == ["descriptor-version"]


def test_a_number_in_one_byte_order_alone_is_a_warning() -> None:
    # ECMA-119 7.3.3: both; most readers take the copy with the low byte first.
    made = make_iso({"A.TXT": b"a"})
    at = made.field("primary", "volume_space_size")
    (finding,) = read_disc(BytesView(put(made.data, at + 4, bytes(4)))).findings
    assert (finding.rule, finding.severity) == ("both-orders-recorded", Severity.WARNING)
    assert "both-orders-agree" in rules(put(made.data, at, bytes(4)))


def test_joliet_volume_flags(image: MadeImage) -> None:
    # Joliet specification 1, SVD Volume Flags Field: bit 0 is zero.
    data = put(image.data, image.field("joliet", "volume_flags"), b"\x01")
    assert rules(data) == {"joliet-volume-flags"}


@pytest.mark.parametrize("bit", range(1, 8))
def test_reserved_volume_flags(image: MadeImage, bit: int) -> None:
    # ECMA-119 8.5.3: bits 1 to 7 are zero.
    at = image.field("joliet", "volume_flags")
    (finding,) = read_disc(BytesView(put(image.data, at, bytes([1 << bit])))).findings
    assert (finding.rule, finding.severity) == ("reserved-field-zero", Severity.WARNING)
    assert (finding.offset, finding.found) == (at, f"{1 << bit:#04x}")


def test_an_enhanced_descriptor_is_a_volume_of_its_own() -> None:
    # Common practice (ISO 9660:1999): type 2 with version 2.
    made = make_iso({"A LONG NAME.TXT": b"a"}, enhanced=True)
    disc = read_disc(BytesView(made.data))
    primary, enhanced = disc.facts.volumes
    assert not primary.is_enhanced
    assert enhanced.is_enhanced
    assert enhanced.detail == "ISO 9660:1999"
    assert enhanced.entries[0].identifier == "A LONG NAME.TXT"
    assert enhanced.entries[0].path == primary.entries[0].path


@pytest.mark.parametrize("block_size", [512, 1024])
def test_smaller_logical_blocks_are_read(block_size: int) -> None:
    # ECMA-119 8.4.12: extents count in logical blocks of this size.
    made = make_iso({"A.TXT": b"alpha"})
    factor = SECTOR // block_size
    data = put(made.data, made.field("primary", "logical_block_size"), parts.both16(block_size))
    for place in (made.record("/A.TXT"), made.record("/."), made.record("/..")):
        lba = int.from_bytes(data[place + 2 : place + 6], "little")
        data = put(data, place + 2, parts.both32(lba * factor))
    root = made.field("primary", "root_record")
    lba = int.from_bytes(data[root + 2 : root + 6], "little")
    data = put(data, root + 2, parts.both32(lba * factor))
    blocks = len(data) // block_size
    data = put(data, made.field("primary", "volume_space_size"), parts.both32(blocks))
    for name, order in (("type_l_path_table", "little"), ("type_m_path_table", "big")):
        at = made.field("primary", name)
        table = int.from_bytes(data[at : at + 4], order) * factor  # type: ignore[arg-type]
        data = put(data, at, table.to_bytes(4, order))  # type: ignore[arg-type]
        record = made.path_table("l" if order == "little" else "m")
        data = put(data, record + 2, (lba * factor).to_bytes(4, order))  # type: ignore[arg-type]
    disc = read_disc(BytesView(data))
    assert disc.findings == ()
    assert disc.facts.volumes[0].block_size == block_size
    extent = disc.facts.volumes[0].entries[0].extents[0]
    assert data[extent.lba * block_size :][: extent.size] == b"alpha"


def test_an_impossible_block_size_is_named_and_2048_assumed(image: MadeImage) -> None:
    # ECMA-119 8.4.12; what is assumed is own behaviour.
    data = put(image.data, image.field("primary", "logical_block_size"), parts.both16(2000))
    disc = read_disc(BytesView(data))
    assert {finding.rule for finding in disc.findings} == {"block-size"}
    assert disc.facts.volumes[0].block_size == SECTOR


def test_the_scan_for_descriptors_ends() -> None:
    # Linux kernel 6.12, fs/isofs/inode.c: sectors 16 to 99.
    log = ProblemLog()
    endless = bytes(16 * SECTOR) + parts.boot_record(20) * 200
    descriptors = read_descriptor_set(BytesView(endless), log)
    assert len(descriptors.boot_records) == 84  # sectors 16 to 99


def test_findings_carry_place_found_and_expected(image: MadeImage) -> None:
    at = image.field("primary", "file_structure_version")
    (finding,) = findings(put(image.data, at, b"\x07"))
    assert finding.offset == at
    assert (finding.found, finding.expected) == ("7", "1")
    assert finding.severity is Severity.WARNING
    assert finding.source == "ECMA-119 8.4"
    assert finding.remedy


@pytest.mark.parametrize("bit", [0x04, 0x08, 0x10, 0x20, 0x40, 0x80])
def test_wrong_flags_in_the_root_record_are_seen(bit: int) -> None:
    # ECMA-119 9.1.6: bits 5 and 6 are zero, in the record of the root as in any other; of a
    # directory bits 2, 3 and 7 as well, and bit 4 without an extended attribute record (all
    # three from memory).
    made = make_iso({"A.TXT": b"a"}, joliet=3)
    for tree in ("primary", "joliet"):
        at = made.field(tree, "root_record") + 25
        found = read_disc(BytesView(put(made.data, at, bytes([0x02 | bit])))).findings
        assert [(each.rule, each.offset, each.found) for each in found] == [
            ("record-flags", at, f"{0x02 | bit:#04x}")
        ]


@pytest.mark.parametrize(
    ("units", "is_sound"),
    [
        ("004B 0041", True),
        ("D83D DEDF", True),  # two halves that make one character
        ("004B D83D", False),
        ("DEDF 004B", False),
        ("004B 002A", False),
    ],
)
def test_the_label_of_joliet_has_only_characters_that_joliet_allows(
    units: str, is_sound: bool
) -> None:
    # Joliet specification 1, Allowed Character Set: 16-bit characters, and no "*".
    made = make_iso({"A.TXT": b"a"}, joliet=3)
    at = made.field("joliet", "volume_identifier")
    found = read_disc(BytesView(put(made.data, at, bytes.fromhex(units)))).findings
    expected = [] if is_sound else [("joliet-characters", at, 32)]
    assert [(each.rule, each.offset, each.length) for each in found] == expected


def test_both_descriptors_give_the_volume_one_size() -> None:
    # Common practice: ECMA-119 8.5 does not say that the sizes are equal, writers do so.
    made = make_iso({"A.TXT": b"a"}, joliet=3, pad_sectors=10)
    at = made.field("joliet", "volume_space_size")
    count = len(made.data) // SECTOR
    data = put(made.data, at, parts.both32(count - 1))
    (finding,) = read_disc(BytesView(data)).findings
    assert (finding.rule, finding.severity) == ("volume-sizes-agree", Severity.NOTE)
    assert (finding.offset, finding.length) == (at, 8)
    assert (finding.found, finding.expected) == (f"{count - 1:,} blocks", f"{count:,} blocks")


@pytest.mark.parametrize(
    ("at", "new", "rule"),
    [
        (156 + 26, b"\x01", "root-record"),  # ECMA-119 9.1: interleaved
        (156 + 32, b"\xfe", "root-record"),  # ECMA-119 8.4.18: one byte of identifier
        (156 + 19, b"\x0d", "record-date"),  # ECMA-119 9.1.5: month 13
        (88 + 3, b"x", "reserved-field-zero"),  # ECMA-119 8.5.6
    ],
)
def test_fields_that_nobody_reads_are_checked_too(at: int, new: bytes, rule: str) -> None:
    made = make_iso({"A.TXT": b"a"}, joliet=3)
    assert rules(put(made.data, made.at("joliet") + at, new)) == {rule}


@pytest.mark.parametrize("identifier", [b"\xd8\x00\x00B", b"\0A\xdc\x01"])
def test_a_joliet_name_with_half_a_character(identifier: bytes) -> None:
    # Joliet specification 1, Allowed Character Set: 16-bit characters.
    made = make_iso({"AB": b"a"}, joliet=3)
    at = made.record("/AB", "joliet") + 33
    assert rules(put(made.data, at, identifier)) == {"joliet-characters"}


def test_a_joliet_name_with_an_odd_number_of_bytes() -> None:
    # Joliet specification 1, Allowed Character Set: two bytes a character.
    made = make_iso({"AB": b"a"}, joliet=3)
    at = made.record("/AB", "joliet") + 32
    assert made.data[at] == 4
    assert "joliet-characters" in rules(put(made.data, at, b"\x03"))


@pytest.mark.parametrize("at", [7, 88, 91, 119])
def test_fields_that_readers_want_zero_in_an_enhanced_descriptor(at: int) -> None:
    # libarchive 3.6.2, isEVD: or it does not read the tree.
    made = make_iso({"A LONG NAME.TXT": b"a"}, enhanced=True)
    more = rules(flip(made.data, made.at("enhanced") + at)) - rules(made.data)
    assert more == {"reserved-field-zero"}


@pytest.mark.parametrize("version", [0, 3, 6, 0x82])
def test_a_descriptor_of_an_unknown_version_is_named(version: int) -> None:
    # ECMA-119 8.1; version 2 is that of ISO 9660:1999.
    made = make_iso({"A LONG NAME.TXT": b"a"}, enhanced=True)
    found = rules(put(made.data, made.at("enhanced") + 6, bytes([version])))
    assert found - rules(made.data) == {"supplementary-volume-read", "descriptor-version"}


@pytest.mark.parametrize("filled_with", [b"\0", b"\xff"])
def test_the_end_of_the_set_may_take_the_joliet_tree_or_the_catalog_away(
    filled_with: bytes,
) -> None:
    """ECMA-119 8.3; that a tree or a catalog is left that nothing leads to is own behaviour."""
    made = make_iso({"A.TXT": b"a"}, joliet=3)
    at = made.at("joliet")
    assert made.at("terminator") == at + SECTOR
    end_lost = rules(put(made.data, at + SECTOR, filled_with * SECTOR))
    assert end_lost == {"descriptor-set-terminated"}
    both_lost = rules(put(made.data, at, filled_with * (2 * SECTOR)))
    assert both_lost == {"descriptor-set-terminated", "tree-announced"}
    made = make_iso({"A.TXT": b"a"}, boot=Boot(bytes(SECTOR)))
    both_lost = rules(put(made.data, made.at("boot-record"), filled_with * (2 * SECTOR)))
    assert both_lost == {"descriptor-set-terminated", "boot-catalog-announced"}


@pytest.mark.parametrize("copied", ["primary", "terminator"])
def test_a_descriptor_copied_over_that_of_joliet_takes_its_tree_away(
    image: MadeImage, copied: str
) -> None:
    # ECMA-119 8.4: a second primary descriptor is allowed, so alone it tells nothing.
    sector = image.data[image.at(copied) :][:SECTOR]
    assert rules(put(image.data, image.at("joliet"), sector)) == {"tree-announced"}
    plain = make_iso({"README.TXT": b"hello"}, enhanced=True)
    over = put(plain.data, plain.at("enhanced"), plain.data[plain.at(copied) :][:SECTOR])
    assert rules(over) == set()
