"""The walk over a tree: complete on sound images, bounded and outspoken on damaged ones."""

from __future__ import annotations

import struct

import pytest

import image_parts as parts
from byte_views import BytesView
from image_parts import SECTOR
from make_image import MadeImage, flip, make_iso, put, zero
from mediashelf.findings import Severity
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.formats.iso.directories.directory_reading import DEFAULT_LIMITS, Limits
from mediashelf.formats.volume import FLAG_HIDDEN, FLAG_MULTI_EXTENT, Entry, Extent

FILES = {
    "README.TXT": b"hello",
    "SETUP/DATA1.CAB": b"x" * 5000,
    "SETUP/SUB/DEEP.TXT": b"deep",
    "EMPTY/": b"",
    **{f"MANY/FILE{number:03d}.TXT": b"." for number in range(130)},
}


@pytest.fixture(scope="module")
def image() -> MadeImage:
    return make_iso(FILES)


def read(data: bytes, limits: Limits = DEFAULT_LIMITS) -> DiscReading:
    return read_disc(BytesView(data), limits=limits)


def rules(disc: DiscReading) -> set[str]:
    return {finding.rule for finding in disc.findings}


def entries(disc: DiscReading) -> dict[str, Entry]:
    return {entry.path: entry for entry in disc.facts.volumes[0].entries}


def test_entries_say_where_everything_is(image: MadeImage) -> None:
    # ECMA-119 9.1.3 and 9.1.4: extent and data length.
    disc = read(image.data)
    assert disc.findings == ()
    found = entries(disc)
    assert len(found) == 4 + 3 + 130
    cabinet = found["/SETUP/DATA1.CAB"]
    assert cabinet.identifier == "DATA1.CAB;1"
    assert cabinet.size == 5000
    assert cabinet.extents == (Extent(image.file("/SETUP/DATA1.CAB") // SECTOR, 5000),)
    assert cabinet.record_offset == image.record("/SETUP/DATA1.CAB")
    assert cabinet.date == parts.RECORD_DATE
    setup = found["/SETUP"]
    assert setup.is_directory
    assert setup.size == SECTOR
    assert setup.extents[0].lba == image.directory("/SETUP") // SECTOR
    assert found["/EMPTY"].is_directory


def test_parents_come_before_children_directory_by_directory(image: MadeImage) -> None:
    paths = [entry.path for entry in read(image.data).facts.volumes[0].entries]
    assert paths[:4] == ["/EMPTY", "/MANY", "/README.TXT", "/SETUP"]
    parents = [path.rpartition("/")[0] for path in paths]
    runs = [parent for number, parent in enumerate(parents) if parent != parents[number - 1]]
    assert len(runs) == len(set(runs))
    for number, parent in enumerate(parents):
        assert not parent or parent in paths[:number]


def test_sections_of_a_file_become_one_entry() -> None:
    # ECMA-119 9.1.6: bit 7 on every section but the last.
    content = bytes(range(256)) * 40
    made = make_iso({"BIG.BIN": content, "AFTER.TXT": b"a"}, sections={"BIG.BIN": 4096})
    disc = read(made.data)
    assert disc.findings == ()
    entry = entries(disc)["/BIG.BIN"]
    lba = made.file("/BIG.BIN") // SECTOR
    assert entry.extents == (Extent(lba, 4096), Extent(lba + 2, 4096), Extent(lba + 4, 2048))
    assert entry.size == len(content)
    assert entry.flags & FLAG_MULTI_EXTENT


def test_a_missing_last_section_is_found() -> None:
    # ECMA-119 9.1.6: bit 7 says that a section follows.
    made = make_iso({"BIG.BIN": bytes(8192), "X.TXT": b"a"}, sections={"BIG.BIN": 4096})
    first = made.record("/BIG.BIN")
    second = first + made.data[first]
    disc = read(put(made.data, second + 25, b"\x80"))
    assert rules(disc) == {"sections-complete"}
    assert not disc.facts.volumes[0].is_complete
    assert entries(disc)["/BIG.BIN"].size == 8192
    assert "/X.TXT" in entries(disc)


def test_hidden_files_stay_marked() -> None:
    # ECMA-119 9.1.6: bit 0, existence.
    made = make_iso({"A.TXT": b"a"}, flags={"/A.TXT": FLAG_HIDDEN})
    disc = read(made.data)
    assert disc.findings == ()
    assert entries(disc)["/A.TXT"].flags == FLAG_HIDDEN


def test_an_interleaved_file_has_no_extents(image: MadeImage) -> None:
    disc = read(put(image.data, image.record("/README.TXT") + 26, b"\x02\x03"))
    assert rules(disc) == {"not-interleaved"}
    assert entries(disc)["/README.TXT"].extents == ()
    assert entries(disc)["/README.TXT"].size == 5


@pytest.mark.parametrize("path", ["/", "/SETUP", "/SETUP/SUB", "/EMPTY", "/MANY"])
def test_a_zeroed_directory_sector_is_noticed(image: MadeImage, path: str) -> None:
    # Own behaviour.
    disc = read(zero(image.data, image.directory(path)))
    assert {"self-record", "parent-record"} & rules(disc)


def test_a_zeroed_last_sector_of_a_directory_is_noticed(image: MadeImage) -> None:
    # Own behaviour.
    disc = read(zero(image.data, image.directory("/MANY") + 2 * SECTOR))
    assert rules(disc) == {"sector-with-records"}
    assert "/MANY/FILE129.TXT" not in entries(disc)


def link(data: bytes, record: int, lba: int, size: int = SECTOR) -> bytes:
    """Let a directory record point to another extent."""
    return put(data, record + 2, parts.both32(lba) + parts.both32(size))


@pytest.mark.parametrize("target", ["/", "/SETUP", "/SETUP/SUB"])
def test_loops_end_and_are_named(image: MadeImage, target: str) -> None:
    # Own behaviour: no block is read as two directories.
    lba = image.directory(target) // SECTOR
    disc = read(link(image.data, image.record("/SETUP/SUB"), lba))
    if target == "/SETUP/SUB":
        assert disc.findings == ()
        return
    assert "directory-loop" in rules(disc)
    assert not disc.facts.volumes[0].is_complete
    assert len(entries(disc)) <= len(FILES) + 4


def test_two_records_of_one_directory_are_a_loop_finding(image: MadeImage) -> None:
    # Own behaviour: no block is read as two directories.
    disc = read(link(image.data, image.record("/EMPTY"), image.directory("/SETUP") // SECTOR))
    assert "directory-loop" in rules(disc)


def test_overlapping_directories_are_read_once(image: MadeImage) -> None:
    # Own behaviour: no block is read as two directories.
    lba = image.directory("/MANY") // SECTOR + 1
    disc = read(link(image.data, image.record("/EMPTY"), lba))
    assert "directory-loop" in rules(disc)


def test_a_self_record_that_names_another_extent(image: MadeImage) -> None:
    # ECMA-119 6.8.2.2.
    disc = read(link(image.data, image.record("/SETUP/."), 19))
    assert rules(disc) == {"self-record"}


def test_a_parent_record_that_names_another_extent(image: MadeImage) -> None:
    # ECMA-119 6.8.2.2; the Linux kernel 6.1, libarchive, pycdlib and The Sleuth Kit all read on.
    for lba, size in ((19, SECTOR), (0, 0), (image.directory("/") // SECTOR, 99)):
        disc = read(link(image.data, image.record("/SETUP/SUB/.."), lba, size))
        (finding,) = disc.findings
        assert (finding.rule, finding.severity) == ("parent-record-agrees", Severity.WARNING)
    disc = read(link(image.data, image.record("/.."), 19))
    (finding,) = disc.findings
    assert (finding.rule, finding.severity) == ("parent-record", Severity.ERROR)


def test_a_parent_record_may_have_an_earlier_length_of_the_parent() -> None:
    # Common practice of writers that add directories one by one.
    files = {f"DIR{number:04d}/": b"" for number in range(60)}
    made = make_iso(files)
    at = made.record("/DIR0000/..") + 10
    assert made.data[at : at + 8] == parts.both32(2 * SECTOR)
    assert read(put(made.data, at, parts.both32(SECTOR))).findings == ()
    assert rules(read(put(made.data, at, parts.both32(SECTOR + 1)))) == {"parent-record-agrees"}


def test_extents_outside_are_told_from_extents_behind_the_volume(image: MadeImage) -> None:
    # ECMA-119 8.4.8: the volume's size in blocks.
    blocks = len(image.data) // SECTOR
    record = image.record("/README.TXT")
    outside = read(link(image.data, record, blocks + 10, 5))
    assert rules(outside) == {"extent-inside-image"}
    # The volume says that it ends one sector earlier than the image does.
    volume = image.field("primary", "volume_space_size")
    shorter = put(image.data, volume, parts.both32(blocks - 1))
    behind = read(link(shorter, record, blocks - 1, 5))
    assert "extent-inside-volume" in rules(behind)
    assert "extent-inside-image" not in rules(behind)


def test_an_empty_file_may_point_anywhere(image: MadeImage) -> None:
    # Common practice.
    disc = read(link(image.data, image.record("/README.TXT"), 0xFFFFFFFF, 0))
    assert disc.findings == ()


@pytest.mark.parametrize(
    ("at", "new", "rule"),
    [
        (18, b"\x63\x0d\x01", "record-date"),  # month 13
        (24, b"\x7f", "record-date"),  # 31 hours east
        (25, b"\x20", "record-flags"),
        (28, b"\x02\x00\x00\x02", "record-sequence-number"),
    ],
)
def test_fields_of_a_record(image: MadeImage, at: int, new: bytes, rule: str) -> None:
    # ECMA-119 9.1.5 to 9.1.12, each in its rule's source.
    for name in ("/README.TXT", "/SETUP/SUB/DEEP.TXT", "/SETUP/.", "/SETUP/.."):
        record = image.record(name)
        value = bytes([image.data[record + 25] | new[0]]) if rule == "record-flags" else new
        disc = read(put(image.data, record + at, value))
        assert rules(disc) == {rule}, name
        field = 18 if rule == "record-date" else at
        assert disc.findings[0].offset == record + field


def test_a_file_becomes_no_directory_unnoticed(image: MadeImage) -> None:
    # ECMA-119 9.4: the path table lists every directory.
    disc = read(put(image.data, image.record("/README.TXT") + 25, b"\x02"))
    assert "self-record" in rules(disc)
    assert "path-table-agrees" in rules(disc)


def test_a_directory_becomes_no_file_unnoticed(image: MadeImage) -> None:
    # ECMA-119 9.4: the path table lists every directory.
    disc = read(put(image.data, image.record("/SETUP") + 25, b"\x00"))
    assert "path-table-agrees" in rules(disc)


def test_a_directory_behind_the_end_of_the_image(image: MadeImage) -> None:
    # ECMA-119 9.1.4.
    disc = read(link(image.data, image.record("/EMPTY"), 100_000))
    assert {"directory-readable", "extent-inside-image"} <= rules(disc)


def test_bounds_stop_the_walk_and_say_so(image: MadeImage) -> None:
    # Own behaviour: the bounds of a walk.
    few = read(image.data, Limits(entries=50))
    assert "walk-bounded" in rules(few)
    assert len(few.facts.volumes[0].entries) <= 50
    assert not few.facts.volumes[0].is_complete
    flat = read(image.data, Limits(depth=2))
    assert "walk-bounded" in rules(flat)
    assert "/SETUP/SUB/DEEP.TXT" not in entries(flat)
    short = read(image.data, Limits(path_characters=8))
    assert "walk-bounded" in rules(short)
    assert "/SETUP/SUB/DEEP.TXT" not in entries(short)
    small = read(image.data, Limits(directory_size=SECTOR))
    assert "walk-bounded" in rules(small)
    assert "/MANY/FILE129.TXT" not in entries(small)
    terse = read(image.data, Limits(text_characters=100))
    # What was not walked is not called missing.
    assert rules(terse) == {"walk-bounded"}
    # The directory that exceeds the bound is the last one.
    assert len(terse.findings) == 1
    assert "/SETUP/SUB/DEEP.TXT" not in entries(terse)
    assert read(image.data, Limits(entries=len(entries(read(image.data))) + 1)).findings == ()


def test_one_bad_directory_does_not_hide_the_others(image: MadeImage) -> None:
    disc = read(zero(image.data, image.directory("/SETUP")))
    assert "/MANY/FILE000.TXT" in entries(disc)
    assert "/SETUP/SUB" not in entries(disc)


def test_every_byte_of_the_records_in_use_is_watched(image: MadeImage) -> None:
    """A flip in a directory is found, but in fields where any value is as good."""
    start = image.directory("/SETUP")
    used = image.record("/SETUP/SUB") + image.data[image.record("/SETUP/SUB")] - start
    unseen = [at for at in range(used) if not read(flip(image.data, start + at)).findings]
    records = [image.record(f"/SETUP/{name}") - start for name in (".", "..", "DATA1.CAB", "SUB")]
    harmless = {record + field for record in records for field in (18, 24)}  # year, UTC offset
    assert set(unseen) <= harmless


@pytest.mark.parametrize("flag", [0x04, 0x08, 0x80])
@pytest.mark.parametrize("record", ["self", "parent", "child"])
def test_a_directory_has_no_flags_of_files(record: str, flag: int) -> None:
    # ECMA-119 9.1.6: bits 2, 3 and 7 of a directory's record are zero (from memory).
    image = make_iso({"DIR/C.TXT": b"c"})
    at = {
        "self": image.directory("/DIR"),
        "parent": image.directory("/DIR") + 34,
        "child": image.record("/DIR"),
    }[record]
    assert image.data[at + 25] == 0x02
    found = read(put(image.data, at + 25, bytes([0x02 | flag]))).findings
    expected = "sections-complete" if (record, flag) == ("child", 0x80) else "record-flags"
    assert [finding.rule for finding in found] == [expected]


@pytest.mark.parametrize("flag", [0x08, 0x10, 0x18])
@pytest.mark.parametrize("count", [1, 100])  # a few records and many are read in two ways
def test_flags_of_an_extended_attribute_record_need_one(flag: int, count: int) -> None:
    # ECMA-119 9.1.6: without one, bits 3 and 4 are zero (from memory).
    image = make_iso({f"F{number:03}.TXT": bytes(4096) for number in range(count)})
    record = image.record("/F000.TXT")
    marked = put(image.data, record + 25, bytes([flag]))
    (finding,) = read(marked).findings
    assert (finding.rule, finding.where) == ("record-flags", "/F000.TXT")
    assert (finding.offset, finding.found) == (record + 25, f"{flag:#04x}")
    # The first block of the extent is then the extended attribute record (9.1.2).
    size = struct.pack("<I", 2048) + struct.pack(">I", 2048)
    having = put(put(marked, record + 1, b"\1"), record + 10, size)
    assert read(having).findings == ()


def test_a_directory_may_have_permissions_of_its_own() -> None:
    # ECMA-119 9.1.6: bit 4 is one where an extended attribute record has them.
    image = make_iso({"DIR/C.TXT": b"c"})
    found = read(put(image.data, image.record("/DIR") + 25, b"\x12")).findings
    assert [(each.rule, each.found) for each in found] == [("record-flags", "0x12")]
