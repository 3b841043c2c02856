"""The two trees: depth, record order, level 1 rules, and our own names giving way."""

from __future__ import annotations

import re
import time
from pathlib import Path

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.collector import collector_paused
from mediashelf.formats.volume import Entry, VolumeKind
from outside_readers import libarchive_tree, pycdlib_tree


def planned(top: Path) -> DiscPlan:
    return plan_disc(recipe_from_folders([top]))


def entries(plan: DiscPlan, kind: VolumeKind) -> tuple[Entry, ...]:
    volume = plan.facts.volume(kind)
    assert volume is not None
    return volume.entries


def short_paths(plan: DiscPlan) -> dict[str, str]:
    return {file.long_path: file.short_path for file in plan.files}


def test_records_are_in_the_order_that_the_standard_asks_for(tmp_path: Path) -> None:
    """ECMA-119 9.3: names padded with spaces, then extensions; files and directories in one list.

    Microsoft KB Q123408: an old redirector of DOS misses files when records are not sorted.
    """
    names = ["README", "README.1", "README.10", "README.C", "README.C1", "READ", "READ_ME.A"]
    names += ["READ1.TXT", "1.TXT", "_.TXT", "A", "Z/x"]
    top = write_tree(tmp_path / "top", dict.fromkeys(names, b"x"))
    plan = planned(top)
    in_root = [e.name for e in entries(plan, VolumeKind.ISO9660) if e.parent == "/"]
    padded = [tuple(part.ljust(8) for part in name.partition(".")[::2]) for name in in_root]
    assert padded == sorted(padded)
    assert in_root.index("README") < in_root.index("README.1")
    # What the padding is about: as whole identifiers these two sort the other way round.
    assert "README.;1" > "README.1;1"
    build_disc(plan, tmp_path / "disc.iso")
    assert {"/README", "/README.1"} <= set(pycdlib_tree(tmp_path / "disc.iso", joliet=False))


def test_joliet_records_are_in_the_order_of_their_characters(tmp_path: Path) -> None:
    """Common practice, and the order of path tables: names there hold any number of dots."""
    names = ["A B.TXT", "A.TXT", "a", "é.txt", "語.txt", "dir.ext/x", "dir b/x"]
    plan = planned(write_tree(tmp_path / "top", dict.fromkeys(names, b"x")))
    in_root = [e.name for e in entries(plan, VolumeKind.JOLIET) if e.parent == "/"]
    assert in_root == sorted(in_root, key=lambda name: name.encode("utf-16-be"))


def test_names_of_64_ideograms_reach_the_joliet_tree(tmp_path: Path) -> None:
    """Joliet: 64 characters, however many bytes another encoding takes for them."""
    name = "語" * 60 + ".txt"
    plan = planned(write_tree(tmp_path / "top", {f"{'港' * 64}/{name}": b"x"}))
    build_disc(plan, tmp_path / "disc.iso")
    path = f"/{'港' * 64}/{name}"
    assert path in libarchive_tree(tmp_path / "disc.iso", joliet=True)
    assert path in pycdlib_tree(tmp_path / "disc.iso", joliet=True)


def test_the_iso_tree_keeps_level_1(tmp_path: Path) -> None:
    """ECMA-119 10.1: names 8, extensions 3, directory identifiers 8; 7.5.1, 7.5.2: ``NAME.;1``."""
    files = {f"Folder number {n}.d/A rather long name, {n}.text": b"x" for n in range(12)}
    plan = planned(write_tree(tmp_path / "top", files | {"no extension": b"y"}))
    for entry in entries(plan, VolumeKind.ISO9660):
        form = r"[A-Z0-9_]{1,8}" if entry.is_directory else r"[A-Z0-9_]{1,8}\.[A-Z0-9_]{0,3};1"
        assert re.fullmatch(form, entry.identifier), entry.identifier


def test_folders_that_are_too_deep_move_in_the_iso_tree_only(tmp_path: Path) -> None:
    """ECMA-119 6.8.2.1: at most eight levels, the root being the first."""
    chain = "a/b/c/d/e/f/g/h/i/j/k/l/m/n/o/p"
    fits, too_deep = "a/b/c/d/e/f/fits.txt", f"{chain}/last.txt"
    plan = planned(
        write_tree(tmp_path / "top", {fits: b"1", "a/b/c/d/e/f/g/x": b"2", too_deep: b"3"})
    )
    assert max(entry.depth for entry in entries(plan, VolumeKind.ISO9660)) == 8
    assert max(entry.depth for entry in entries(plan, VolumeKind.JOLIET)) == 18
    short = short_paths(plan)
    assert short["/a/b/c/d/e/f/fits.txt"] == "/A/B/C/D/E/F/FITS.TXT"
    assert short["/a/b/c/d/e/f/g/x"] == "/DEEP/G/X"
    # What is too deep below /DEEP, too, moves again.
    assert short[f"/{too_deep}"] == "/DEEP/L/M/N/O/P/LAST.TXT"
    moved = {f.where: f.message for f in plan.findings if f.rule == "moved-for-depth"}
    assert list(moved) == ["/a/b/c/d/e/f/g", "/a/b/c/d/e/f/g/h/i/j/k/l"]
    assert "/DEEP/L, with its contents" in moved["/a/b/c/d/e/f/g/h/i/j/k/l"]


def test_an_empty_folder_on_the_last_level_stays(tmp_path: Path) -> None:
    plan = planned(write_tree(tmp_path / "top", {"a/b/c/d/e/f/g/": b""}))
    assert "/A/B/C/D/E/F/G" in [entry.path for entry in entries(plan, VolumeKind.ISO9660)]
    assert not [f for f in plan.findings if f.rule == "moved-for-depth"]


def test_moved_folders_of_one_name_are_told_apart(tmp_path: Path) -> None:
    files = {f"{top}/b/c/d/e/f/same/file.txt": top.encode() for top in "xyz"}
    short = short_paths(planned(write_tree(tmp_path / "top", files)))
    assert short["/x/b/c/d/e/f/same/file.txt"] == "/DEEP/SAME/FILE.TXT"
    assert short["/y/b/c/d/e/f/same/file.txt"] == "/DEEP/SAME_2/FILE.TXT"
    assert short["/z/b/c/d/e/f/same/file.txt"] == "/DEEP/SAME_3/FILE.TXT"


def test_our_own_names_give_way(tmp_path: Path) -> None:
    files = {"a/b/c/d/e/f/g/x.txt": b"1", "DEEP/mine.txt": b"2", "index.txt": b"3"}
    plan = planned(write_tree(tmp_path / "top", files))
    short = short_paths(plan)
    assert short["/a/b/c/d/e/f/g/x.txt"] == "/DEEP_2/G/X.TXT"
    assert short["/DEEP/mine.txt"] == "/DEEP/MINE.TXT"
    assert short["/index.txt"] == "/INDEX.TXT"
    index = next(file for file in plan.files if not file.source)
    assert (index.short_path, index.long_path) == ("/INDEX_2.TXT", "/INDEX_2.TXT")


def test_folder_dates_are_those_of_what_they_hold(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"old/a": b"1"}, date=800_000_000)
    write_tree(top, {"new/sub/b": b"2", "empty/": b""}, date=900_000_000)
    plan = planned(top)
    dates = {e.path: e.modified for e in entries(plan, VolumeKind.JOLIET) if e.is_directory}
    stamps = {path: date.timestamp() for path, date in dates.items() if date}
    assert stamps == {
        "/old": 800_000_000,
        "/new": 900_000_000,
        "/new/sub": 900_000_000,
        "/empty": 900_000_000,  # the date of the disc
    }


def test_entries_of_a_plan_that_are_asked_for_one_by_one_take_linear_time(tmp_path: Path) -> None:
    """A finding for each of many files in one folder asks so (own behaviour)."""

    def seconds(count: int) -> float:
        names = [f"folder/tide table {number:06d}.txt" for number in range(count)]
        plan = planned(write_tree(tmp_path / f"top {count}", dict.fromkeys(names, b"x")))
        there = entries(plan, VolumeKind.JOLIET)
        with collector_paused():  # processor time alone, as in the test of names
            start = time.process_time()
            alone = [there[number] for number in range(len(there))]
            took = time.process_time() - start
        assert alone == list(there)
        return took

    # Four times the files may take four times the time, with room for noise; never sixteen.
    assert seconds(2000) < 10 * max(seconds(500), 0.02)
