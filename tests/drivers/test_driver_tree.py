"""Trees of discs as targets see them: which file of one tree is which of the other."""

from __future__ import annotations

from pathlib import Path

import pytest

from driver_packages import inf
from make_image import make_iso
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, tree_of_disc
from mediashelf.drivers.packages.tree_files import DiscFiles, TreeFile
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.image import open_image

JOLIET = (VolumeKind.JOLIET, VolumeKind.ISO9660)
ISO = (VolumeKind.ISO9660,)


def entries(*rows: tuple[str, int, int]) -> tuple[Entry, ...]:
    """Return entries of (path, block, size)."""
    return tuple(
        Entry(path, path.rpartition("/")[2], size, False, (Extent(block, size),))
        for path, block, size in rows
    )


def disc(iso: tuple[Entry, ...], joliet: tuple[Entry, ...]) -> DiscFacts:
    volumes = (
        VolumeFacts(VolumeKind.ISO9660, "A", iso),
        VolumeFacts(VolumeKind.JOLIET, "A", joliet),
    )
    return DiscFacts(0, volumes)


def names(facts: DiscFacts, kinds: tuple[VolumeKind, ...] = ISO) -> dict[str, str]:
    tree = tree_of_disc("d", facts, kinds, lambda entry, limit: b"")
    assert tree is not None
    return {file.path: file.hidden_path for file in tree.files}


def test_files_at_one_place_are_one_file() -> None:
    facts = disc(
        entries(("/A/LONGFI_1.SYS", 30, 5), ("/B/X.SYS", 31, 6)),
        entries(("/a/longfilename.sys", 30, 5), ("/b/x.sys", 31, 6)),
    )
    assert names(facts) == {
        "/A/LONGFI_1.SYS": "/a/longfilename.sys",
        "/B/X.SYS": "/b/x.sys",
    }
    assert names(facts, JOLIET)["/b/x.sys"] == "/B/X.SYS"


def test_equal_files_share_a_place_and_their_folders_decide() -> None:
    facts = disc(
        entries(
            ("/ALPHA/ONE.SYS", 30, 1),
            ("/ALPHA/SAME.TXT", 40, 9),
            ("/BETA/SAME.TXT", 40, 9),
            ("/BETA/TWO.SYS", 31, 1),
        ),
        # In the long tree the folders stand in the other order.
        entries(
            ("/a beta/same.txt", 40, 9),
            ("/a beta/two.sys", 31, 1),
            ("/b alpha/one.sys", 30, 1),
            ("/b alpha/same.txt", 40, 9),
        ),
    )
    assert names(facts)["/ALPHA/SAME.TXT"] == "/b alpha/same.txt"
    assert names(facts)["/BETA/SAME.TXT"] == "/a beta/same.txt"


def test_equal_files_of_one_folder_go_by_name_then_by_extension() -> None:
    facts = disc(
        entries(("/LONGNA_1.TXT", 40, 9), ("/LONGNA_2.DOC", 40, 9), ("/SHORT.TXT", 40, 9)),
        entries(("/long name.docx", 40, 9), ("/long name.txt", 40, 9), ("/short.txt", 40, 9)),
    )
    assert names(facts) == {
        "/LONGNA_1.TXT": "/long name.txt",
        "/LONGNA_2.DOC": "/long name.docx",
        "/SHORT.TXT": "/short.txt",
    }


def test_empty_files_have_no_place_and_still_pair() -> None:
    facts = disc(
        entries(("/A/EMPTY.TXT", 0, 0), ("/A/ONE.SYS", 30, 1), ("/EMPTY.TXT", 55, 0)),
        entries(("/aa/empty.txt", 77, 0), ("/aa/one.sys", 30, 1), ("/empty.txt", 0, 0)),
    )
    assert names(facts)["/A/EMPTY.TXT"] == "/aa/empty.txt"
    assert names(facts)["/EMPTY.TXT"] == "/empty.txt"


def test_many_equal_files_are_paired_at_once() -> None:
    short = entries(*((f"/F{number:05}.TXT", 40, 9) for number in range(20_000)))
    long = entries(*((f"/file {number:05}.txt", 40, 9) for number in range(20_000)))
    paired = names(disc(short, long))
    assert paired["/F12345.TXT"] == "/file 12345.txt"
    assert len(set(paired.values())) == 20_000


def test_files_of_the_other_tree_alone_are_kept_beside() -> None:
    facts = disc(entries(("/A.SYS", 30, 1)), entries(("/a.sys", 30, 1), ("/only.sys", 31, 1)))
    assert names(facts) == {"/A.SYS": "/a.sys", "": "/only.sys"}


def test_volumes_whose_entries_were_not_read_are_passed_over() -> None:
    volumes = (
        VolumeFacts(VolumeKind.UDF, "U", entries_read=False),
        VolumeFacts(VolumeKind.ISO9660, "I", entries(("/A", 30, 1))),
    )
    tree = tree_of_disc(
        "d", DiscFacts(0, volumes), (VolumeKind.UDF, *JOLIET), lambda entry, limit: b""
    )
    assert tree is not None and tree.kind == "iso9660"
    assert tree_of_disc("d", DiscFacts(0), JOLIET, lambda entry, limit: b"") is None


@pytest.mark.parametrize("name", ["LKV.INF", "Larkspur video.inf"])
@pytest.mark.parametrize("kinds", [(VolumeKind.UDF, *JOLIET), ISO])
def test_an_inf_that_udf_keeps_in_its_record_is_one_package(
    tmp_path: Path, kinds: tuple[VolumeKind, ...], name: str
) -> None:
    made = make_iso(
        {"LKV/LKV.INF": inf(), "LKV/LKV.SYS": b"driver" * 500},
        udf="NSR02",
        udf_embedded=["LKV/LKV.INF"],
        long_names={"LKV/LKV.INF": name},
    )
    image_path = tmp_path / "disc.iso"
    image_path.write_bytes(made.data)
    with open_image(image_path) as image:
        tree = tree_of_disc("disc", image.facts, kinds, image.read_file)
        assert isinstance(tree, PackageTree)
        (package,) = find_packages(tree).packages
        assert package.file.path == f"/LKV/{name if VolumeKind.UDF in kinds else 'LKV.INF'}"


@pytest.mark.parametrize(
    ("kinds", "path", "hidden"),
    [
        (JOLIET, "/LKV/longfilename.sys", "/LKV/LONGFI_1.SYS"),
        (ISO, "/LKV/LONGFI_1.SYS", "/LKV/longfilename.sys"),
    ],
)
def test_an_image_as_two_targets_see_it(
    tmp_path: Path, kinds: tuple[VolumeKind, ...], path: str, hidden: str
) -> None:
    made = make_iso(
        {"LKV/LKV.INF": b"[x]", "LKV/LONGFI_1.SYS": b"driver"},
        joliet=3,
        long_names={"LKV/LONGFI_1.SYS": "longfilename.sys"},
    )
    image_path = tmp_path / "disc.iso"
    image_path.write_bytes(made.data)
    with open_image(image_path) as image:
        tree = tree_of_disc("disc", image.facts, kinds, image.read_file)
        assert isinstance(tree, PackageTree)
        file = tree.find(path.upper())
        assert file is not None and file.hidden_path == hidden
        assert tree.find_hidden(hidden.lower()) == file
        assert tree.find_name(path.rpartition("/")[2]) == file
        assert tree.read(file, 3) == b"dri"
        assert tree.find(hidden) is None


def test_a_name_of_many_files_is_not_made_again_for_each_who_asks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each of thousands of packages may lack a file that as many others have."""
    paths = [(f"/D{number}/X.SYS", 30 + number, 1) for number in range(50)]
    tree = tree_of_disc("d", disc(entries(*paths), ()), ISO, lambda entry, limit: b"")
    assert tree is not None
    make, made = DiscFiles._make, []

    def counted(self: DiscFiles, number: int) -> TreeFile:
        made.append(number)
        return make(self, number)

    monkeypatch.setattr(DiscFiles, "_make", counted)
    for _ in paths:
        first = tree.find_name("x.sys")
        assert first is not None and first.path == "/D0/X.SYS"
    assert len(made) == len(paths)
    for _ in paths:
        assert len(tree.find_names("x.sys")) == len(paths)
    assert len(made) == 2 * len(paths)
    assert tree.find_name("y.sys") is None and not tree.find_names("y.sys")


@pytest.mark.parametrize("odd", ["plain", "two\nlines", "lkv.inf\n", ""])
@pytest.mark.parametrize("more", [0, 1500])
def test_names_are_found_by_their_ends_however_odd_the_others_are(odd: str, more: int) -> None:
    """Also where a disc has many, whose names are not kept."""
    many = [(f"/F{number}.TXT", 200 + number, 1) for number in range(more)]
    seen = entries(("/A/LKV.INF", 30, 1), (f"/B/{odd}", 31, 1), ("/C/Setup.INF", 32, 1), *many)
    hidden = entries(("/a/lkv.inf", 30, 1), ("/only.Inf", 33, 1), (f"/z/{odd}", 34, 1))
    tree = tree_of_disc("d", disc(seen, hidden), ISO, lambda entry, limit: b"")
    assert tree is not None
    for _ in range(2):
        found = [file.shown_path for file in tree.iter_ending((".inf",))]
        assert found == ["/A/LKV.INF", "/C/Setup.INF", "/only.Inf"]
    assert len(list(tree.iter_ending((".txt",)))) == more
    assert list(tree.iter_ending((".sys",))) == []
