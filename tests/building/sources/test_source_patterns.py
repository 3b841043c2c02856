"""Which files ``only`` and ``skip`` take."""

from __future__ import annotations

import fnmatch
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from build_trees import write_tree, write_zip
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.patterns import Pattern, Selection
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.errors import RecipeError
from mediashelf.findings import Severity


def fits(pattern: str, path: str) -> bool:
    """Whether a pattern fits a path; one that ends in ``/`` is a folder's."""
    return Pattern(pattern).fits(tuple(path.rstrip("/").split("/")), is_folder=path.endswith("/"))


@pytest.mark.parametrize(
    ("pattern", "fitting", "others"),
    [
        ("*.inf", ["a.inf", "x/y/A.INF"], ["a.inf.txt", "inf"]),
        ("docs", ["docs", "docs/", "a/docs/"], ["docs2", "docs/a"]),
        ("docs/", ["docs/", "a/b/docs/"], ["docs", "a/docs"]),
        ("/docs", ["docs", "docs/"], ["a/docs"]),
        ("video/*.sys", ["video/a.sys"], ["video/b/a.sys", "x/video/a.sys", "a.sys"]),
        ("video/**/*.sys", ["video/a.sys", "video/b/c/a.sys"], ["a.sys", "video"]),
        ("**/*.sys", ["a.sys", "b/c/a.sys"], ["a.vxd"]),
        ("video/**", ["video/", "video/a", "video/b/c"], ["video2/a"]),
        ("/**/nt/", ["nt/", "a/b/nt/"], ["nt"]),
        ("?.txt", ["a.txt", "ü.txt"], ["ab.txt", ".txt"]),
        ("[a-c]?.sys", ["b1.sys"], ["d1.sys"]),
        ("[!a]*", ["b", "bc"], ["a", "ab"]),
        ("STRASSE", ["Straße", "strasse"], ["strase"]),
        ("cafe\u0301*", ["caf\u00e9.txt"], ["cafe.txt"]),
        (".*", [".hidden"], ["a.b"]),
        ("a**b", ["ab", "axxb"], ["a/b"]),
    ],
)
def test_what_patterns_fit(pattern: str, fitting: list[str], others: list[str]) -> None:
    assert [path for path in fitting if not fits(pattern, path)] == []
    assert [path for path in others if fits(pattern, path)] == []


@pytest.mark.parametrize("text", ["", "/", "//", "a//b", "a/../b", "..", ".", "a\\b", "./a"])
def test_texts_that_fit_nothing_are_refused(text: str) -> None:
    with pytest.raises(RecipeError, match="is not a pattern"):
        Pattern(text)


names = st.text("abAB.*?[]!^-\\", min_size=1, max_size=6).filter(lambda name: name not in "..")


@given(names.filter(lambda name: "\\" not in name), names)
@settings(derandomize=True, deadline=None)
def test_one_part_is_matched_as_the_standard_library_does(pattern: str, name: str) -> None:
    if "**" in pattern:
        pattern = pattern.replace("**", "*")
    expected = fnmatch.fnmatchcase(name.lower(), pattern.lower())
    assert Pattern(pattern).fits((name,), is_folder=False) is expected
    assert Pattern(pattern).fits(("deep", "down", name), is_folder=False) is expected
    assert Pattern(f"/{pattern}").fits((name,), is_folder=False) is expected


def test_a_hostile_pattern_is_no_trap() -> None:
    start = time.perf_counter()
    assert not fits("/" + "**/" * 200 + "*a*a*a*a*a*a*a*a*b", "/".join(["a" * 60] * 60))
    assert time.perf_counter() - start < 2


def test_skip_goes_before_only_and_folders_bring_what_is_in_them() -> None:
    selection = Selection(["*.inf", "/video/"], ["old/", "*.bak"])
    taken = ["a.inf", "x/b.INF", "video/readme", "video/deep/er"]
    left = ["readme", "x/readme", "video/a.bak", "old/c.inf", "video/old/d", "x/old/y/e.inf"]
    assert [path for path in taken if not selection.takes_file(tuple(path.split("/")))] == []
    assert [path for path in left if selection.takes_file(tuple(path.split("/")))] == []
    assert selection.takes_folder(("video", "empty"))
    assert not selection.takes_folder(("x",))
    assert selection.skips_folder(("x", "old", "y"))
    assert selection.unused() == []


def test_without_patterns_everything_is_taken() -> None:
    selection = Selection()
    assert selection.takes_file(("a", "b"))
    assert selection.takes_folder(("a",))
    assert not selection.skips_folder(("a",))


TREE = {
    "lkv.inf": b"i",
    "lkv.vxd": b"v",
    "lkv.bak": b"b",
    "docs/read.txt": b"d",
    "docs/more/m.txt": b"m",
    "empty/": b"",
}


def planned(source: SourceFolder) -> DiscPlan:
    return plan_disc(Recipe("P", (source,), index=False))


def shape(plan: DiscPlan) -> tuple[list[str], int]:
    return [file.long_path for file in plan.files], plan.folder_count


@pytest.mark.parametrize("kind", ["folder", "archive"])
def test_folders_and_archives_are_sorted_out_alike(tmp_path: Path, kind: str) -> None:
    top = write_tree(tmp_path / "top", TREE)
    if kind == "archive":
        top = write_zip(tmp_path / "top.zip", TREE)
    everything = shape(planned(SourceFolder(top)))
    assert everything == (
        ["/docs/more/m.txt", "/docs/read.txt", "/lkv.bak", "/lkv.inf", "/lkv.vxd"],
        3,
    )
    assert shape(planned(SourceFolder(top, skip=("*.BAK", "docs/")))) == (
        ["/lkv.inf", "/lkv.vxd"],
        1,
    )
    # Folders on the way to what is wanted are there, others are not.
    assert shape(planned(SourceFolder(top, only=("m.txt",)))) == (["/docs/more/m.txt"], 2)
    assert shape(planned(SourceFolder(top, only=("docs/",), skip=("more",)))) == (
        ["/docs/read.txt"],
        1,
    )
    assert shape(planned(SourceFolder(top, only=("empty",)))) == ([], 1)


def test_a_pattern_that_fits_nothing_is_told(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", TREE)
    plan = planned(SourceFolder(top, only=("*.inf", "*.sis"), skip=("*.tmp",)))
    told = [f for f in plan.findings if f.rule == "pattern-fits-nothing"]
    assert [f.message for f in told] == [
        "the pattern '*.sis' matches nothing in it",
        "the pattern '*.tmp' matches nothing in it",
    ]
    assert {f.severity for f in told} == {Severity.WARNING}


def test_what_is_skipped_is_not_looked_at(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", TREE)
    (top / "docs" / "link").symlink_to("/nowhere")
    (top / "other").symlink_to("/nowhere")
    plan = planned(SourceFolder(top, skip=("docs", "other")))
    assert [finding.rule for finding in plan.findings] == ["padded-to-minimum"]
