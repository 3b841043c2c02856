"""Parts of a disc that contradict each other, each made on purpose beside a sound disc.

That extents may be shared, and that trees should agree, is common practice. What the
records hold: ECMA-119 8.4 and 9.1; the forms of boot images: "El Torito" 1.0, from memory
where no figure is named.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from byte_views import BytesView
from make_fat import make_fat
from make_image import SECTOR, Boot, MadeImage, make_iso, put
from mediashelf.demo.floppy import make_boot_floppy
from mediashelf.findings import Finding, Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.volume import HOLE, DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.integrity.structure.overlaps import check_overlaps
from mediashelf.integrity.structure.parts import PLACES_PER_RULE, check_structure
from mediashelf.trees.opening import open_tree

FLOPPY = make_boot_floppy("nothing here")
FILES = {"A.TXT": b"a" * 5000, "B.TXT": b"b" * 3000, "DIR/C.TXT": b"c" * 100}

Find = Callable[[bytes], list[Finding]]


def both_32(number: int) -> bytes:
    return struct.pack("<I", number) + struct.pack(">I", number)


def move(made: MadeImage, path: str, *, lba: int, kind: str = "iso9660") -> bytes:
    """Let a file's record point elsewhere."""
    return put(made.data, made.record(path, kind) + 2, both_32(lba))


@pytest.mark.parametrize(
    "made",
    [
        make_iso(FILES),
        make_iso(FILES, joliet=True, long_names={"A.TXT": "a long name.txt"}),
        make_iso(FILES, rock_ridge=True),
        make_iso({"BIG.BIN": b"x" * 9000}, sections={"BIG.BIN": 4096}, joliet=True),
        make_iso(FILES, boot=Boot(FLOPPY, media=2, sectors=1)),
        make_iso({"EMPTY.TXT": b"", "ALSO.TXT": b""}, joliet=True),
        make_iso(FILES, joliet=True, udf="NSR02"),
        make_iso(
            {"D1/D2/D3/D4/D5/D6/D7/D8/A.TXT": b"deep"} | FILES,
            rock_ridge=True,
            relocate=["/D1/D2/D3/D4/D5/D6/D7/D8"],
        ),
    ],
    ids=[
        "plain",
        "joliet",
        "rockridge",
        "sections",
        "floppy",
        "empty files",
        "udf bridge",
        "relocated",
    ],
)
def test_sound_discs_yield_nothing(find: Find, made: MadeImage) -> None:
    assert find(made.data) == []


def test_equal_extents_may_be_shared(find: Find) -> None:
    made = make_iso({"A.TXT": b"same", "B.TXT": b"same"})
    shared = move(made, "/B.TXT", lba=made.file("/A.TXT") // SECTOR)
    assert find(shared) == []


def test_an_extent_that_starts_inside_another_is_found(find: Find) -> None:
    made = make_iso(FILES)
    inside = made.file("/A.TXT") // SECTOR + 1
    (finding,) = find(move(made, "/DIR/C.TXT", lba=inside))
    assert (finding.rule, finding.where) == ("extents-apart", "/DIR/C.TXT")
    assert "/A.TXT" in finding.message
    assert (finding.offset, finding.length) == (inside * SECTOR, 100)


def test_the_longer_of_two_extents_from_one_place_is_found(find: Find) -> None:
    made = make_iso(FILES)
    (finding,) = find(move(made, "/DIR/C.TXT", lba=made.file("/A.TXT") // SECTOR))
    assert finding.rule == "extents-apart"


def test_a_file_over_a_path_table_or_a_root_directory_is_found(find: Find) -> None:
    made = make_iso(FILES, joliet=True)
    for at in (made.path_table("m"), made.path_table("l", "joliet"), made.directory("/", "joliet")):
        findings = find(move(made, "/DIR/C.TXT", lba=at // SECTOR))
        overlaps = [each for each in findings if each.rule == "extents-apart"]
        assert [each.where for each in overlaps] == ["/DIR/C.TXT"]


def test_a_file_over_booting_is_found_unless_it_is_the_boot_file(find: Find) -> None:
    made = make_iso(FILES, boot=Boot(FLOPPY, media=2, sectors=1))
    catalog = made.at("boot-catalog") // SECTOR
    assert find(move(made, "/DIR/C.TXT", lba=catalog)) == []
    (finding,) = find(move(made, "/A.TXT", lba=catalog - 1))
    assert finding.rule == "extents-apart"
    assert "/A.TXT" in finding.where + finding.message


RICH = make_iso(FILES, joliet=True, boot=Boot(b"\xeb\xfe" + b"\x90" * 4094, sectors=8), udf="NSR02")


@pytest.mark.parametrize(
    ("at", "owner"),
    [
        (4 * SECTOR, "the system area"),
        (RICH.path_table("m"), "a path table of the primary volume descriptor"),
        (RICH.path_table("l", "joliet"), "a path table of the Joliet volume descriptor"),
        (RICH.directory("/"), "the root directory of the primary volume descriptor"),
        (RICH.directory("/", "joliet"), "the root directory of the Joliet volume descriptor"),
        (RICH.directory("/DIR"), "/DIR"),
        (RICH.file("/A.TXT") + SECTOR, "/A.TXT"),
        (256 * SECTOR, "the UDF anchor"),
    ],
)
def test_what_a_file_overlaps_is_named(find: Find, at: int, owner: str) -> None:
    found = find(move(RICH, "/DIR/C.TXT", lba=at // SECTOR))
    (overlap,) = [one for one in found if one.rule == "extents-apart"]
    others = {"/DIR/C.TXT": owner, owner: "/DIR/C.TXT"}
    assert overlap.message == f"its bytes overlap those of {others[overlap.where]}"
    assert overlap.severity is Severity.WARNING


@pytest.mark.parametrize("sector", range(16, 20))
def test_nothing_is_where_the_volume_descriptors_are(find: Find, sector: int) -> None:
    """Primary, boot record, Joliet, terminator: ECMA-119 8.1."""
    found = find(move(RICH, "/DIR/C.TXT", lba=sector))
    (over,) = [one for one in found if one.rule == "extent-outside-descriptors"]
    assert (over.where, over.offset, over.length) == ("/DIR/C.TXT", sector * SECTOR, 100)


def test_a_file_over_the_records_of_files_in_udf_is_found(find: Find) -> None:
    udf = read_disc(BytesView(RICH.data)).facts.volume(VolumeKind.UDF)
    assert udf is not None
    for entry in udf.entries:
        found = find(move(RICH, "/DIR/C.TXT", lba=entry.record_offset // SECTOR))
        messages = [one.message for one in found if one.rule == "extents-apart"]
        assert f"its bytes overlap those of the UDF file entry of {entry.path}" in messages


def test_a_file_over_a_udf_record_is_found(find: Find) -> None:
    made = make_iso(FILES, udf="NSR02")
    findings = find(move(made, "/DIR/C.TXT", lba=256))
    assert any("the UDF anchor" in finding.message for finding in findings)


def test_one_long_extent_and_its_pieces_in_another_tree_are_the_same_bytes() -> None:
    """UDF cuts at 2^30 - 1 bytes, ISO 9660 at 2^32 - 1: ECMA-167 4/14.14.1.1, ECMA-119 9.1.4."""
    size, piece = 5 << 30, (1 << 30) - SECTOR
    pieces = [Extent(300 + at // SECTOR, min(piece, size - at)) for at in range(0, size, piece)]
    sections = [Extent(300, 4 << 30), Extent(300 + (4 << 30) // SECTOR, 1 << 30)]
    facts = DiscFacts(
        size,
        (
            VolumeFacts(VolumeKind.ISO9660, "", (_big_file(sections),)),
            VolumeFacts(VolumeKind.UDF, "", (_big_file(pieces),)),
        ),
    )
    assert list(check_overlaps(facts, BytesView(b""))) == []


def _big_file(extents: list[Extent]) -> Entry:
    return Entry("/BIG.BIN", "BIG.BIN", 5 << 30, False, tuple(extents))


def test_a_file_over_a_directory_is_found(find: Find) -> None:
    made = make_iso(FILES)
    findings = find(move(made, "/B.TXT", lba=made.directory("/DIR") // SECTOR))
    assert {finding.rule for finding in findings} == {"extents-apart"}


def test_a_file_that_one_tree_has_elsewhere_is_found_in_both(find: Find) -> None:
    made = make_iso(FILES, joliet=True)
    findings = find(move(made, "/A.TXT", lba=made.file("/B.TXT") // SECTOR, kind="joliet"))
    differing = [finding for finding in findings if finding.rule == "trees-agree"]
    assert [finding.where for finding in differing] == ["/A.TXT", "/A.TXT"]


def test_a_second_name_in_one_tree_alone_is_worth_a_note(find: Find) -> None:
    made = make_iso({"A.TXT": b"same", "B.TXT": b"same"}, joliet=True)
    both = made.file("/A.TXT") // SECTOR
    shared = move(made, "/B.TXT", lba=both)
    data = put(shared, made.record("/B.TXT", "joliet") + 2, both_32(both))
    assert find(data) == []
    # A record of length 0 ends the directory: /B.TXT is the last.
    (finding,) = find(put(data, made.record("/B.TXT", "joliet"), b"\0"))
    assert (finding.rule, finding.severity) == ("trees-agree-in-number", Severity.NOTE)


def test_a_boot_file_may_be_in_one_tree_alone(find: Find) -> None:
    made = make_iso(FILES, joliet=True, boot=Boot(FLOPPY, media=2, sectors=1))
    only_iso = move(made, "/DIR/C.TXT", lba=made.at("boot-catalog") // SECTOR)
    assert [each.where for each in find(only_iso)] == ["/DIR/C.TXT"]  # the Joliet tree's


def test_lists_of_long_names_are_left_out_of_joliet_on_purpose(find: Find) -> None:
    # Common practice: systems that read Joliet need none.
    made = make_iso({"A.TXT": b"a", "TRANS.TBL": b"F A.TXT;1 a"}, joliet=True)
    record = made.record("/TRANS.TBL", "joliet")
    assert find(put(made.data, record, b"\0" * made.data[record])) == []
    other = make_iso({"A.TXT": b"a", "TRANS.TXT": b"text"}, joliet=True)
    record = other.record("/TRANS.TXT", "joliet")
    found = find(put(other.data, record, b"\0" * other.data[record]))
    assert [finding.rule for finding in found] == ["trees-agree"]


class Disc(NamedTuple):
    facts: DiscFacts
    view: BytesView = BytesView(b"")


def two_trees(*pairs: tuple[Extent, Extent | None]) -> list[str]:
    """What is said of files that the ISO tree and the UDF tree have there."""
    trees: tuple[list[Entry], list[Entry]] = [], []
    for number, pair in enumerate(pairs):
        for tree, extent in zip(trees, pair, strict=True):
            size = pair[0].size
            extents = () if extent is None else (extent,)
            tree.append(Entry(f"/F{number}", f"F{number}", size, False, extents))
    facts = DiscFacts(
        10_000 * SECTOR,
        (
            VolumeFacts(VolumeKind.ISO9660, "", tuple(trees[0])),
            VolumeFacts(VolumeKind.UDF, "", tuple(trees[1])),
        ),
    )
    return [item.where for item in check_structure(Disc(facts)) if item.rule == "trees-agree"]


def test_bytes_that_udf_keeps_elsewhere_on_purpose_are_no_difference() -> None:
    """In the file entry itself (ECMA-167 4/14.6.8, from memory), or not recorded at all."""
    same = (Extent(300, 100), Extent(300, 100))
    moved = (Extent(301, 200), Extent(302, 200))
    embedded = (Extent(303, 50), Extent(290, 50, 176))
    hole = (Extent(304, 5000), Extent(HOLE, 5000))
    empty = (Extent(999, 0), None)
    assert two_trees(same, embedded, hole, empty) == []
    assert two_trees(same, moved, embedded, hole, empty) == ["/F1", "/F1"]


@pytest.mark.parametrize("count", [1, 2])
def test_a_notice_beside_udf_is_one_note(count: int) -> None:
    """Common practice: the one file of the ISO 9660 tree says that the disc is in UDF."""
    iso = [Entry(f"/R{at}", f"R{at}", 135, False, (Extent(300 + at, 135),)) for at in range(count)]
    udf = [Entry(f"/U{at}", f"U{at}", 99, False, (Extent(400 + at, 99),)) for at in range(3)]
    trees = (
        VolumeFacts(VolumeKind.ISO9660, "", tuple(iso)),
        VolumeFacts(VolumeKind.UDF, "", tuple(udf)),
    )
    found = list(check_structure(Disc(DiscFacts(10_000 * SECTOR, trees))))
    assert len(found) == (1 if count == 1 else 5)
    assert {each.severity for each in found} == {Severity.NOTE if count == 1 else Severity.WARNING}


def test_a_size_that_differs_between_trees_is_found(find: Find) -> None:
    made = make_iso(FILES, joliet=True)
    findings = find(put(made.data, made.record("/A.TXT", "joliet") + 10, both_32(4999)))
    assert {finding.rule for finding in findings} == {"extents-apart", "trees-agree"}


@pytest.mark.parametrize(
    ("floppy", "message"),
    [
        (FLOPPY[:510] + b"\0\0" + FLOPPY[512:], "no boot sector signature"),
        (FLOPPY[:19] + struct.pack("<H", 2400) + FLOPPY[21:], "another size"),
    ],
    ids=["signature", "size"],
)
def test_a_boot_floppy_that_is_none_is_noted(find: Find, floppy: bytes, message: str) -> None:
    (finding,) = find(make_iso(FILES, boot=Boot(floppy, media=2, sectors=1)).data)
    assert finding.rule == "boot-image-form"
    assert message in finding.message


@pytest.mark.parametrize(
    ("unit", "total", "count"),
    [(512, 2400, 1), (512, 2880, 0), (512, 0, 0), (1024, 2400, 0), (0, 2400, 0)],
)
def test_a_boot_floppy_tells_its_size_in_sectors_of_512_bytes(
    find: Find, unit: int, total: int, count: int
) -> None:
    """El Torito media type 2 is 1.44 MB (figure 3); the fields of a FAT boot sector: from memory.

    Other units, or none, say nothing that could be compared.
    """
    fields = struct.pack("<H", unit) + FLOPPY[13:19] + struct.pack("<H", total)
    floppy = FLOPPY[:11] + fields + FLOPPY[21:]
    assert len(find(make_iso(FILES, boot=Boot(floppy, media=2, sectors=1)).data)) == count


@pytest.mark.parametrize(("media", "total"), [(1, 2400), (2, 2880), (3, 5760)])
def test_a_boot_floppy_has_the_size_of_its_media_type(find: Find, media: int, total: int) -> None:
    """1.2, 1.44 and 2.88 MB are 15, 18 and 36 sectors on 80 tracks of two sides: KB Q75131."""
    for number, count in ((total, 0), (total - 1, 1), (total + 1, 1)):
        floppy = FLOPPY[:19] + struct.pack("<H", number) + FLOPPY[21:]
        made = make_iso(FILES, boot=Boot(floppy, media=media, sectors=1))
        found = [item for item in find(made.data) if item.rule == "boot-image-form"]
        assert len(found) == count
        assert all(item.expected == f"{total} sectors" for item in found)


def test_a_boot_floppy_gets_every_note_that_it_gets_alone(find: Find, tmp_path: Path) -> None:
    sound = make_fat({"A/B.TXT": b"text" * 300, "C.TXT": b"text"})
    second_table, folder = 512 * 10 + 9, sound.index(b".          ")
    damaged = [
        put(sound, second_table, b"\x55"),
        put(sound, 17, (208).to_bytes(2, "little")),
        put(sound, folder, b"X"),
        put(sound, 19, (5000).to_bytes(2, "little")),
    ]
    rules = set()
    for floppy in (sound, *damaged):
        path = tmp_path / "floppy.img"
        path.write_bytes(floppy)
        with open_tree(path) as tree:
            alone = [(one.rule, one.severity, one.message) for one in tree.findings]
        rules.update(rule for rule, _, _ in alone)
        made = make_iso(FILES, boot=Boot(floppy, media=2, sectors=1))
        inside = [one for one in find(made.data) if one.rule != "boot-image-form"]
        assert [(one.rule, one.severity, one.message) for one in inside] == alone
        assert all("boot image 0" in one.where for one in inside)
    assert rules >= {"file-tables-agree", "top-folder-usual", "folder-own-entry", "end-unclear"}


@pytest.mark.parametrize(("at", "value"), [(32, b"\0"), (40, bytes(4))], ids=["flag", "place"])
def test_an_entry_that_does_not_boot_or_has_no_place_is_left_alone(
    find: Find, at: int, value: bytes
) -> None:
    """ "El Torito" figure 3: byte 0 is 88 for a bootable entry, bytes 8 to 11 are the load RBA."""
    made = make_iso(FILES, boot=Boot(bytes(2048)))
    data = put(made.data, made.at("boot-catalog") + at, value)
    assert [item for item in find(data) if item.rule == "boot-image-form"] == []


def test_a_boot_disk_without_its_one_partition_is_noted(find: Find) -> None:
    one = bytearray(2048)
    one[510:512] = b"\x55\xaa"
    one[446 + 4] = 6
    assert find(make_iso(FILES, boot=Boot(bytes(one), media=4, sectors=1)).data) == []
    one[462 + 4] = 6
    (finding,) = find(make_iso(FILES, boot=Boot(bytes(one), media=4, sectors=1)).data)
    assert finding.found.startswith("2 partitions")


def test_empty_boot_code_is_noted(find: Find) -> None:
    (finding,) = find(make_iso(FILES, boot=Boot(bytes(2048))).data)
    assert "zero bytes" in finding.message


def test_a_hostile_disc_cannot_flood(find: Find) -> None:
    names = {f"F{number:04d}.TXT": b"x" * 3000 for number in range(PLACES_PER_RULE + 50)}
    made = make_iso(names)
    data = made.data
    first = made.file("/F0000.TXT") // SECTOR
    for number, name in enumerate(names):
        at = made.record(f"/{name}")
        data = put(data, at + 2, both_32(first)) if number else data
        data = put(data, at + 10, both_32(3000 - number))
    findings = find(data)
    assert len(findings) == PLACES_PER_RULE + 1
    assert "49 more" in findings[-1].message


@pytest.mark.parametrize("lba", [16, 17, 18])
def test_a_file_exactly_over_a_volume_descriptor_is_an_error(find: Find, lba: int) -> None:
    # Own behaviour: the set ends with its terminator (ECMA-119 8.3), and holds no file.
    made = make_iso({"A.TXT": b"a" * SECTOR}, joliet=True)
    data = made.data
    for kind in ("iso9660", "joliet"):
        data = put(data, made.record("/A.TXT", kind) + 2, both_32(lba))
    found = find(data)
    assert [(each.rule, each.severity, each.where) for each in found] == [
        ("extent-outside-descriptors", Severity.ERROR, "/A.TXT")
    ] * len(found)
    assert found
    assert find(made.data) == []


@pytest.mark.parametrize("path", ["/A.TXT", "/DIR"])
@pytest.mark.parametrize("bit", [0x01, 0x10])
def test_flags_that_one_tree_has_alone(find: Find, path: str, bit: int) -> None:
    # ECMA-119 9.1.6; that both trees say the same is own behaviour.
    made = make_iso(FILES, joliet=True)
    flags = made.data[made.record(path) + 25] | bit
    one = put(made.data, made.record(path) + 25, bytes([flags]))
    (finding,) = find(one)
    assert (finding.rule, finding.where) == ("twin-flags-agree", path)
    both = put(one, made.record(path, "joliet") + 25, bytes([flags]))
    assert find(both) == []
