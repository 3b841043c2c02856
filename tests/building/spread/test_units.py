"""What stays together when discs are spread, and what may be taken apart."""

from __future__ import annotations

from pathlib import Path

import pytest

from build_trees import write_tree
from driver_packages import inf
from mediashelf.building.planning.listing import Listing, list_sources
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.building.spread.finding_units import find_units
from mediashelf.building.spread.subset import share_on_disc, subset
from mediashelf.building.spread.units import Unit, take_apart
from mediashelf.errors import BuildError

TREE = {
    "Larkspur/LKV.INF": inf(),
    "Larkspur/LKV.SYS": b"v",
    "Larkspur/nt/NT.INF": inf("NT"),
    "Larkspur/nt/deep/er/NT.SYS": b"n",
    "Quillon/audio/QL.INF": inf("QL"),
    "Quillon/audio/QL.SYS": b"q",
    "Quillon/read.txt": b"r",
    "Quillon/docs/a/b.txt": b"b",
    "DOS/net/TESTLAN.EXE": b"t",
    "DOS/CDUSB.SYS": b"c",
    "AUTORUN.INF": b"[autorun]\r\nopen=setup.exe\r\n",
    "setup.exe": b"s",
    "empty/inside/": b"",
}


def listed(*sources: SourceFolder) -> tuple[Listing, tuple[SourceFolder, ...]]:
    return list_sources(Recipe("U", sources)), sources


def described(units: list[Unit]) -> dict[str, tuple[bool, list[str]]]:
    return {
        unit.name: (
            unit.is_package,
            sorted(
                "/".join((*placed.folder, file.name))
                for placed in unit.placed
                for file in placed.files
            ),
        )
        for unit in units
    }


def test_packages_folders_and_files(tmp_path: Path) -> None:
    units = find_units(*listed(SourceFolder(write_tree(tmp_path / "top", TREE))))
    assert described(units) == {
        "/": (False, ["AUTORUN.INF", "setup.exe"]),
        "/DOS": (False, ["DOS/CDUSB.SYS", "DOS/net/TESTLAN.EXE"]),
        "/Larkspur": (
            True,
            [
                "Larkspur/LKV.INF",
                "Larkspur/LKV.SYS",
                "Larkspur/nt/NT.INF",
                "Larkspur/nt/deep/er/NT.SYS",
            ],
        ),
        "/Quillon": (False, ["Quillon/read.txt"]),
        "/Quillon/audio": (True, ["Quillon/audio/QL.INF", "Quillon/audio/QL.SYS"]),
        "/Quillon/docs": (False, ["Quillon/docs/a/b.txt"]),
        "/empty": (False, []),
    }
    assert [unit.name for unit in units] == sorted((unit.name for unit in units), key=str.casefold)


def test_a_driver_beside_everything_makes_everything_one_package(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {**TREE, "ALL.INF": inf("ALL")})
    (unit,) = find_units(*listed(SourceFolder(top)))
    assert unit.is_package
    assert unit.name == "/"
    assert unit.file_count == len([name for name in TREE if not name.endswith("/")]) + 1


def test_what_is_declared_is_one_package_and_has_its_order(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", TREE)
    tools = write_tree(tmp_path / "tools", {"x/a.com": b"a", "y/b.com": b"b", "c.com": b"c"})
    units = find_units(
        *listed(
            SourceFolder(top),
            SourceFolder(tools, ("DOS",), keep_together=True, order=-1),
            SourceFolder(tools, (), provides=("*LKV0500",), only=("x",), order=-2),
        )
    )
    kept = {unit.name: [file.name for file in unit.iter_files()] for unit in units if unit.order}
    assert kept == {"/DOS": ["c.com", "a.com", "b.com"], "/x": ["a.com"]}
    assert [unit.name for unit in units][:2] == ["/x", "/DOS"]
    # What stands beside them in the same folder is not drawn in.
    names = described(units)
    assert names["/DOS/net"] == (False, ["DOS/net/TESTLAN.EXE"])
    assert all(unit.is_package for unit in units if unit.order)


def test_a_folder_of_several_orders_is_not_one(tmp_path: Path) -> None:
    one = write_tree(tmp_path / "one", {"a.txt": b"a", "sub/b.txt": b"b"})
    two = write_tree(tmp_path / "two", {"c.txt": b"c", "sub/d.txt": b"d"})
    units = find_units(*listed(SourceFolder(one, ("T",)), SourceFolder(two, ("T",), order=5)))
    assert [
        (unit.name, unit.order, [file.name for file in unit.iter_files()]) for unit in units
    ] == [
        ("/T", 0, ["a.txt"]),
        ("/T/sub", 0, ["b.txt"]),
        ("/T", 5, ["c.txt"]),
        ("/T/sub", 5, ["d.txt"]),
    ]


def test_packages_that_need_each_other_are_joined(tmp_path: Path) -> None:
    listing, sources = listed(SourceFolder(write_tree(tmp_path / "top", TREE)))
    units = find_units(
        listing,
        sources,
        together=[
            ["/Quillon/audio/QL.INF", "/Larkspur/LKV.SYS", "/no/such/file"],
            ["/Larkspur/nt/NT.INF", "/DOS/CDUSB.SYS"],
            [],
        ],
    )
    (joined,) = [unit for unit in units if unit.pieces]
    assert joined.name == "/"
    assert joined.is_package
    assert [piece.name for piece in joined.pieces] == ["/DOS", "/Larkspur", "/Quillon/audio"]
    assert joined.size == sum(piece.size for piece in joined.pieces)
    assert sum(unit.file_count for unit in units) == len(listing.files)


def test_an_inf_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", TREE)
    listing, sources = listed(SourceFolder(top))
    (top / "Quillon/audio/QL.INF").unlink()
    with pytest.raises(BuildError, match="vanished"):
        find_units(listing, sources)


def test_folders_are_taken_apart_level_by_level_and_packages_never(tmp_path: Path) -> None:
    tree = {"a/x/1": b"1", "a/x/2": b"2", "a/y/": b"", "a/3": b"3", "a/4": b"4"}
    (unit,) = find_units(*listed(SourceFolder(write_tree(tmp_path / "top", tree))))
    assert unit.name == "/"
    (below,) = take_apart(unit)
    assert below.name == "/a"
    parts = take_apart(below)
    assert described(parts) == {
        "/a": (False, ["a/3", "a/4"]),
        "/a/x": (False, ["a/x/1", "a/x/2"]),
        "/a/y": (False, []),
    }
    files = next(part for part in parts if part.name == "/a")
    assert [part.file_count for part in take_apart(files)] == [1, 1]
    assert take_apart(take_apart(files)[0]) == [take_apart(files)[0]]
    package = find_units(*listed(SourceFolder(tmp_path / "top", keep_together=True)))
    assert take_apart(package[0]) == package


def test_a_disc_has_its_own_first_of_equal_files_and_copies_nothing(tmp_path: Path) -> None:
    tree = {"a/one": b"same", "b/two": b"same", "b/three": b"same", "c/other": b"other", "d/": b""}
    top = write_tree(tmp_path / "top", tree)
    listing, sources = listed(SourceFolder(top))
    pieces = [part for unit in find_units(listing, sources) for part in take_apart(unit)]
    chosen = [unit for unit in pieces if unit.name in ("/b", "/d")]
    part = subset(listing, chosen)
    share_on_disc(part)
    assert [file.name for file in part.files] == ["three", "two"]
    assert part.files[1].own.equal_to is part.files[0].own
    assert part.files[0].own.equal_to is None  # although it was another's on the whole disc
    assert part.files[0].own.digest
    assert set(part.root.folders) == {"b", "d"}
    assert {id(file) for file in part.files} < {id(file) for file in listing.files}
    share_on_disc(part)  # as for a second plan of the same disc
    assert part.files[1].own.equal_to is part.files[0].own
