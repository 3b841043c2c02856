"""Where the bytes of files are, and what one tree of a disc lacks of another.

Bytes in the record of UDF itself: ECMA-167 4/14.6.8 (from memory); sections of ISO 9660 are
extents one after the other (ECMA-119 6.5.1). How trees are compared is own behaviour.
"""

from __future__ import annotations

import pytest

from mediashelf.formats.entries import Folder
from mediashelf.formats.pairing.places import NO_PLACE, places_of
from mediashelf.formats.pairing.tree_differences import find_lacking
from mediashelf.formats.pairing.tree_pairs import pair_trees
from mediashelf.formats.volume import HOLE, Entry, Extent, VolumeFacts, VolumeKind

SECTION = 4 << 20  # a whole number of blocks


def file(path: str, *extents: Extent) -> Entry:
    return Entry(path, path[1:], sum(extent.size for extent in extents), False, extents)


def iso(*files: Entry) -> VolumeFacts:
    return VolumeFacts(VolumeKind.ISO9660, "", files)


def udf(*files: Entry, block_size: int = 2048) -> VolumeFacts:
    return VolumeFacts(VolumeKind.UDF, "", files, block_size=block_size)


def lacking(volume: VolumeFacts, other: VolumeFacts) -> list[str]:
    return [volume.entries[number].path for number in find_lacking(volume, other).surely]


def unclear(volume: VolumeFacts, other: VolumeFacts) -> list[str]:
    return [volume.entries[number].path for number in find_lacking(volume, other).maybe]


def in_record(path: str, size: int, block: int = 290) -> Entry:
    return file(path, Extent(block, size, 176))


SAME = [
    (file("/A", Extent(30, 9)), file("/a", Extent(30, 9))),
    (
        file("/A", Extent(30, SECTION), Extent(30 + SECTION // 2048, 9)),
        file("/a", Extent(30, SECTION + 9)),
    ),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_equal_bytes_are_in_one_place_however_they_are_cut(one: Entry, other: Entry) -> None:
    trees = iso(one), udf(other)
    assert lacking(*trees) == lacking(*reversed(trees)) == []
    assert pair_trees(*trees) == {"/A": "/a"}


def test_a_later_section_elsewhere_is_another_place() -> None:
    first, second = Extent(30, SECTION), Extent(9000, 9)
    trees = iso(file("/A", first, second)), udf(file("/a", first, Extent(9001, 9)))
    assert lacking(*trees) == ["/A"]
    assert lacking(*reversed(trees)) == ["/a"]
    assert pair_trees(*trees) == {}


def test_sections_are_told_from_any_other_that_have_their_numbers() -> None:
    columns = [
        file("/A", Extent(30, 4096), Extent(40, 9)),
        file("/A", Extent(40, 9), Extent(30, 4096)),
        file("/A", Extent(30, 2048), Extent(40, 2057)),
        file("/A", Extent(30, 4105)),
        file("/A", Extent(30, 4096), Extent(40, 1), Extent(40, 8)),
    ]
    assert len(set(places_of(Folder.of("", columns), 2048))) == len(columns)


def test_blocks_of_each_tree_have_their_own_size() -> None:
    trees = iso(file("/A", Extent(30, 9))), udf(file("/a", Extent(120, 9)), block_size=512)
    assert lacking(*trees) == lacking(*reversed(trees)) == []
    assert pair_trees(*trees) == {"/A": "/a"}
    other = udf(file("/a", Extent(30, 9)), block_size=512)
    assert lacking(trees[0], other) == ["/A"]


def test_bytes_in_the_record_have_a_place_of_their_own() -> None:
    hole = file("/C", Extent(30, 2048), Extent(HOLE, 2048))
    found = [in_record("/A", 9), hole, file("/E"), Entry("/F", "F", 9, False)]
    assert places_of(Folder.of("", found), 2048) == [NO_PLACE, NO_PLACE, 0, NO_PLACE]
    # Neither is paired with an empty file, nor with another that is in a record.
    tree = udf(in_record("/a", 9), file("/empty"))
    other = iso(file("/A", Extent(30, 9)), file("/EMPTY"))
    assert pair_trees(other, tree) == {"/EMPTY": "/empty", "/A": "/a"}
    assert pair_trees(udf(in_record("/a", 9), file("/empty")), iso(file("/EMPTY"))) == {
        "/empty": "/EMPTY"
    }
    assert pair_trees(udf(in_record("/a", 9)), tree) == {}


def test_a_file_in_the_record_is_the_one_that_files_are_paired_with() -> None:
    one, two = file("/A.TXT", Extent(30, 9)), file("/B.TXT", Extent(31, 9))
    for names in (["/a.txt", "/b.txt"], ["/a.txt", "/long b.txt"]):
        trees = iso(one, two), udf(*(in_record(name, 9) for name in names))
        assert pair_trees(*trees) == dict(zip(["/A.TXT", "/B.TXT"], names, strict=True))
        for pair in (trees, trees[::-1]):
            assert lacking(*pair) == unclear(*pair) == []
    assert lacking(iso(one, two), udf(in_record("/a.txt", 9))) == ["/B.TXT"]
    assert lacking(udf(in_record("/a.txt", 9), in_record("/b.txt", 9)), iso(one)) == ["/b.txt"]
    assert lacking(iso(one), udf(in_record("/a.txt", 8))) == ["/A.TXT"]
    assert lacking(udf(in_record("/a.txt", 8)), iso(one)) == ["/a.txt"]


def test_what_is_paired_with_nothing_is_never_passed_in_silence() -> None:
    one, two = file("/A.TXT", Extent(30, 9)), file("/B.TXT", Extent(31, 9))
    for tree in (
        udf(in_record("/x", 9), in_record("/y", 9)),  # which is which?
        udf(in_record("/p/x.txt", 9), in_record("/q/y.txt", 9)),
    ):
        trees = iso(one, two), tree
        assert pair_trees(*trees) == {}
        for volume, other in (trees, trees[::-1]):
            assert lacking(volume, other) == []
            assert unclear(volume, other) == [entry.path for entry in volume.entries]
    # Of two files one is missing for sure, and nothing tells which.
    assert lacking(iso(one, two), udf(in_record("/x", 9))) == ["/A.TXT", "/B.TXT"]
    # A file of the same folder as another says that this one is not in that folder.
    apart = iso(file("/D/A.TXT", Extent(30, 9))), udf(in_record("/E/a.txt", 9), file("/D/x"))
    assert (lacking(*apart), unclear(*apart)) == ([], ["/D/A.TXT"])


def test_long_names_of_a_third_tree_tell_what_short_ones_do_not() -> None:
    names = "/a long name.txt", "/another one.txt"
    short = iso(file("/ALONG_1.TXT", Extent(30, 9)), file("/ANOTH_1.TXT", Extent(31, 9)))
    joliet = iso(file(names[1], Extent(31, 9)), file(names[0], Extent(30, 9)))
    tree = udf(*(in_record(name, 9) for name in names))
    for volume, other in ((short, tree), (tree, short)):
        assert find_lacking(volume, other).maybe == [0, 1]
        assert find_lacking(volume, other, joliet) == ([], [])
    one = udf(in_record(names[1], 9))
    found = find_lacking(short, one, joliet)
    assert found == ([0], [])


def test_folders_of_small_files_alone_are_told_by_these() -> None:
    one = iso(
        file("/LONGNA_1/A.INF", Extent(30, 9)),
        file("/LONGNA_1/LONGFI_1.SYS", Extent(31, 99)),
        file("/LONGNA_1/LONGFI_2.SYS", Extent(32, 98)),
        file("/DRIVERS/B.INF", Extent(33, 9)),
    )
    small = {"/long name/a.inf": 9, "/long name/long file.sys": 99, "/long name/other.sys": 98}
    tree = udf(
        *(in_record(path, size) for path, size in small.items()), in_record("/drivers/b.inf", 9)
    )
    expected = dict(
        zip([each.path for each in one.entries], [*small, "/drivers/b.inf"], strict=True)
    )
    assert pair_trees(one, tree) == expected
    assert pair_trees(tree, one) == {twin: path for path, twin in expected.items()}
    assert find_lacking(one, tree) == find_lacking(tree, one) == ([], [])


def test_two_names_of_one_place_are_one_file() -> None:
    shared = file("/A.TXT", Extent(30, 9)), file("/B.TXT", Extent(30, 9))
    tree = udf(file("/a.txt", Extent(30, 9)), in_record("/b.txt", 9))
    for volume, other in ((iso(*shared), tree), (tree, iso(*shared))):
        assert lacking(volume, other) == unclear(volume, other) == []
    # Another name of bytes that have a place in both trees may be theirs.
    tree = udf(file("/a.txt", Extent(30, 9)), in_record("/copy/a.txt", 9), in_record("/c.txt", 9))
    assert unclear(tree, iso(shared[0])) == ["/copy/a.txt"]
    assert lacking(tree, iso(shared[0])) == ["/c.txt"]
