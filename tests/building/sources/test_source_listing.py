"""What a host can hold, and what of it goes on a disc: the table of sources.py, row by row."""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources import collecting as sources
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity


def planned(*folders: Path) -> DiscPlan:
    return plan_disc(recipe_from_folders(folders, index=False))


def paths(plan: DiscPlan) -> list[str]:
    return [file.long_path for file in plan.files]


def found(plan: DiscPlan, rule: str) -> list[Finding]:
    return [finding for finding in plan.findings if finding.rule == rule]


def test_hidden_empty_and_hard_linked_files_are_files(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {".hidden": b"h", "empty": b"", "one.txt": b"same"})
    (top / "two.txt").hardlink_to(top / "one.txt")
    plan = planned(top)
    assert paths(plan) == ["/.hidden", "/empty", "/one.txt", "/two.txt"]
    assert plan.shared_size == 4
    assert plan.findings[0].rule == "padded-to-minimum"
    assert len(plan.findings) == 1


def test_empty_folders_are_folders(tmp_path: Path) -> None:
    plan = planned(write_tree(tmp_path / "top", {"a/b/": b"", "file": b"x"}))
    assert plan.folder_count == 2
    for volume in plan.facts.volumes:
        assert [entry.path.upper() for entry in volume.entries if entry.is_directory] == [
            "/A",
            "/A/B",
        ]


def test_links_to_files_inside_are_files_and_others_are_left_out(tmp_path: Path) -> None:
    outside = write_tree(tmp_path / "outside", {"secret.txt": b"secret"})
    top = write_tree(tmp_path / "top", {"a/real.txt": b"real", "b/": b""})
    (top / "b" / "good.txt").symlink_to("../a/real.txt")
    (top / "b" / "out.txt").symlink_to(outside / "secret.txt")
    (top / "b" / "up").symlink_to("../../outside")
    (top / "b" / "folder").symlink_to("../a")
    (top / "b" / "round").symlink_to("round")
    (top / "b" / "nowhere").symlink_to("no such file")
    plan = planned(top)
    assert paths(plan) == ["/a/real.txt", "/b/good.txt"]
    assert plan.shared_size == 4
    left_out = {
        Path(finding.where).name: finding.message for finding in found(plan, "link-left-out")
    }
    assert left_out == {
        "out.txt": "symbolic link leads out of its source folder, so it is not on the disc",
        "up": "symbolic link leads out of its source folder, so it is not on the disc",
        "folder": "symbolic link leads to a folder, so it is not on the disc",
        "round": "symbolic link leads to nothing, so it is not on the disc",
        "nowhere": "symbolic link leads to nothing, so it is not on the disc",
    }
    assert {finding.severity for finding in plan.findings} == {Severity.WARNING, Severity.NOTE}


def test_a_neighbour_with_a_longer_name_is_outside(tmp_path: Path) -> None:
    write_tree(tmp_path / "top2", {"file": b"x"})
    top = write_tree(tmp_path / "top", {"own": b"y"})
    (top / "link").symlink_to("../top2/file")
    assert paths(planned(top)) == ["/own"]


def test_the_source_folder_may_be_a_link(tmp_path: Path) -> None:
    write_tree(tmp_path / "top", {"file": b"x"})
    (tmp_path / "link").symlink_to("top")
    assert paths(planned(tmp_path / "link")) == ["/file"]


def test_fifos_sockets_and_devices_are_left_out(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"file": b"x"})
    os.mkfifo(top / "fifo")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(top / "socket"))
    plan = planned(top)
    assert paths(plan) == ["/file"]
    messages = [finding.message for finding in found(plan, "special-file-left-out")]
    assert [message.split(" has")[0] for message in messages] == ["a FIFO", "a socket"]


def test_unreadable_folders_and_files_are_errors(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Refused by a stand-in for the system, as nothing is unreadable for a superuser."""
    top = write_tree(tmp_path / "top", {"closed/file": b"x", "shut.txt": b"y", "open.txt": b"z"})
    real_scandir, real_access = os.scandir, os.access

    def scandir(path: str) -> object:
        if str(path).endswith("closed"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return real_scandir(path)

    def access(path: str, mode: int) -> bool:
        return not str(path).endswith("shut.txt") and real_access(path, mode)

    monkeypatch.setattr(sources.os, "scandir", scandir)
    monkeypatch.setattr(sources.os, "access", access)
    plan = planned(top)
    unreadable = found(plan, "source-unreadable")
    assert [Path(finding.where).name for finding in unreadable] == ["shut.txt", "closed"]
    assert {finding.severity for finding in unreadable} == {Severity.ERROR}
    assert "Permission denied" in unreadable[0].message
    assert paths(plan) == ["/open.txt"]


@pytest.mark.skipif(os.name == "nt", reason="names are UTF-16 in Windows, not bytes")
def test_names_that_are_no_utf_8_are_on_the_disc_and_told(tmp_path: Path) -> None:
    top = tmp_path / "top"
    top.mkdir()
    name = os.fsdecode(b"caf\xe9.txt")
    try:
        (top / name).write_bytes(b"x")
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    plan = planned(top)
    assert paths(plan) == ["/caf_.txt"]
    assert found(plan, "long-name-changed")[0].found == name


def test_names_that_are_equal_without_case_are_numbered_and_told(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"Makefile": b"1", "makefile": b"2"})
    if len(list(top.iterdir())) == 1:
        pytest.skip("this file system knows no case")
    plan = planned(top)
    assert paths(plan) == ["/Makefile", "/makefile_2"]
    (changed,) = found(plan, "long-name-changed")
    assert changed.where == "/makefile_2"
    assert changed.message == (
        "the name 'makefile' differs only in case from 'Makefile'; it becomes 'makefile_2'"
    )


@pytest.mark.skipif(os.name == "nt", reason="Windows has no file with ? in its name")
def test_a_name_that_is_not_allowed_is_told_with_what_it_becomes(tmp_path: Path) -> None:
    plan = planned(write_tree(tmp_path / "top", {"what?.txt": b"1"}))
    (changed,) = found(plan, "long-name-changed")
    assert changed.message == (
        "the name 'what?.txt' is not allowed on a disc; it becomes 'what_.txt'"
    )


@pytest.mark.parametrize("name", ["missing", "file"])
def test_a_source_that_is_no_folder_is_an_input_error(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_bytes(b"x")
    with pytest.raises(
        InputError,
        match=r"no such folder, archive or image|is neither a folder nor an image or archive",
    ):
        planned(tmp_path / name)


def test_folders_that_go_to_one_place_are_merged(tmp_path: Path) -> None:
    one = write_tree(tmp_path / "one", {"x/a.txt": b"a", "same.txt": b"s", "other.txt": b"1"})
    two = write_tree(tmp_path / "two", {"x/b.txt": b"b", "same.txt": b"s", "other.txt": b"2"})
    recipe = Recipe("M", (SourceFolder(one, ("T",)), SourceFolder(two, ("T",))), index=False)
    plan = plan_disc(recipe)
    assert paths(plan) == ["/T/other.txt", "/T/same.txt", "/T/x/a.txt", "/T/x/b.txt"]
    twice = {Path(f.where).name: f.severity for f in found(plan, "same-place-twice")}
    assert twice == {"same.txt": Severity.NOTE, "other.txt": Severity.ERROR}
    kept = next(file for file in plan.files if file.long_path == "/T/other.txt")
    assert kept.source == str(one / "other.txt")  # the first named


def test_folders_without_files_are_told(tmp_path: Path) -> None:
    plan = planned(write_tree(tmp_path / "top", {"a/": b""}))
    assert [finding.rule for finding in plan.findings] == ["padded-to-minimum", "nothing-on-disc"]
