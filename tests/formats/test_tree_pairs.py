"""Files of two naming trees: which is which, where places, folders and names decide.

Own behaviour: no text says how trees are compared. The places are those of ECMA-119 9.1.3.
"""

from __future__ import annotations

from mediashelf.formats.pairing.tree_pairs import pair_folders, pair_trees
from mediashelf.formats.volume import Entry, Extent, VolumeFacts, VolumeKind


def tree(files: dict[str, int | None], kind: VolumeKind = VolumeKind.ISO9660) -> VolumeFacts:
    """A volume with files at these blocks, 100 bytes each; None is an empty file."""
    return VolumeFacts(
        kind,
        "",
        tuple(
            Entry(path, "", 100, False, (Extent(lba, 100),))
            if lba is not None
            else Entry(path, "", 0, False)
            for path, lba in files.items()
        ),
    )


def pairs(one: dict[str, int | None], other: dict[str, int | None]) -> dict[str, str]:
    return pair_trees(tree(one), tree(other, VolumeKind.JOLIET))


def test_one_place_is_one_file_whatever_it_is_called() -> None:
    found = pairs({"/A.TXT": 30, "/D/B.TXT": 40}, {"/Long b.txt": 40, "/Other/a.text": 30})
    assert found == {"/A.TXT": "/Other/a.text", "/D/B.TXT": "/Long b.txt"}


def test_a_file_of_one_tree_only_has_no_pair() -> None:
    assert pairs({"/A.TXT": 30, "/B.TXT": 40}, {"/a.txt": 30}) == {"/A.TXT": "/a.txt"}


def test_the_same_block_with_another_size_or_offset_is_another_place() -> None:
    one = tree({"/A.TXT": 30})
    longer = Entry("/a.txt", "", 101, False, (Extent(30, 101),))
    inside = Entry("/b.bin", "", 100, False, (Extent(30, 100, 176),))
    assert pair_trees(one, VolumeFacts(VolumeKind.UDF, "", (longer, inside))) == {}


def embedded(path: str, size: int = 100) -> Entry:
    """A file whose bytes UDF keeps in its record, ECMA-167 4/14.6.8."""
    return Entry(path, "", size, False, (Extent(30, size, 176),))


def test_bytes_in_a_record_of_udf_go_by_folder_name_and_size() -> None:
    one = tree({"/D1/X.TXT": 30, "/D1/LONGNA_1.INF": 40, "/D1/A.INF": 50, "/E/A.INF": 60})
    shared = Entry("/one/x.txt", "", 100, False, (Extent(30, 100),))
    others = (shared, embedded("/one/a.inf"), embedded("/one/long name.inf"), embedded("/E/a.inf"))
    expected = {
        "/D1/X.TXT": "/one/x.txt",
        "/D1/A.INF": "/one/a.inf",
        "/D1/LONGNA_1.INF": "/one/long name.inf",
        "/E/A.INF": "/E/a.inf",
    }
    udf = VolumeFacts(VolumeKind.UDF, "", others)
    assert pair_trees(one, udf) == expected
    assert pair_trees(udf, one) == {twin: path for path, twin in expected.items()}


def test_other_bytes_in_a_record_of_udf_are_another_file() -> None:
    one = tree({"/A.TXT": 30, "/D1/B.INF": 40, "/D1/C.INF": 50})
    others = (
        embedded("/a.txt", 99),  # another size
        embedded("/D2/b.inf"),  # another folder
        embedded("/D1/one.inf"),  # one of two
    )
    assert pair_trees(one, VolumeFacts(VolumeKind.UDF, "", others)) == {}


def test_files_that_share_a_place_go_by_folder_and_name() -> None:
    # The single files say that D1 is "one" and D2 is "two".
    one = {"/D1/X.TXT": 30, "/D2/Y.TXT": 40, "/D1/SAME.TXT": 50, "/D2/SAME.TXT": 50}
    other = {"/one/x.txt": 30, "/two/y.txt": 40, "/two/same.txt": 50, "/one/same.txt": 50}
    found = pairs(dict(one), dict(other))
    assert found["/D1/SAME.TXT"] == "/one/same.txt"
    assert found["/D2/SAME.TXT"] == "/two/same.txt"


def test_then_by_folder_and_extension_then_in_order() -> None:
    one = {"/D1/X.TXT": 30, "/D1/LONGNA_1.INF": 50, "/D1/LONGNA_1.CAT": 50}
    other = {"/one/x.txt": 30, "/one/long name.cat": 50, "/one/long name.inf": 50}
    found = pairs(dict(one), dict(other))
    assert found["/D1/LONGNA_1.INF"] == "/one/long name.inf"
    assert found["/D1/LONGNA_1.CAT"] == "/one/long name.cat"
    # No folder is known by a file of its own: as many are left on both sides.
    assert pairs({"/A/1.TXT": 50, "/B/1.TXT": 50}, {"/p/x.bin": 50, "/q/y.bin": 50}) == {
        "/A/1.TXT": "/p/x.bin",
        "/B/1.TXT": "/q/y.bin",
    }
    # One more on one side, and nothing says which: no guess.
    assert pairs({"/A/1.TXT": 50, "/B/1.TXT": 50}, {"/p/x.bin": 50}) == {}


def test_empty_files_share_one_place() -> None:
    found = pairs({"/A.TXT": None, "/B.TXT": None}, {"/b.txt": None, "/a.txt": None})
    assert found == {"/A.TXT": "/a.txt", "/B.TXT": "/b.txt"}


def test_most_files_decide_which_folder_is_which() -> None:
    found = pair_folders(
        {
            "/D/1.TXT": "/long/1",
            "/D/2.TXT": "/long/2",
            "/D/3.TXT": "/elsewhere/3",
            "/P/Q/4.TXT": "/parent/child/4",
        }
    )
    assert found == {"/": "/", "/D": "/long", "/P": "/parent", "/P/Q": "/parent/child"}


def test_a_folder_at_another_depth_is_known_by_its_own_files_only() -> None:
    found = pair_folders({"/RR_MOVED/D/1.TXT": "/a/b/c/d/1"})
    assert found == {"/": "/", "/RR_MOVED/D": "/a/b/c/d"}
