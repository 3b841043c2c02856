"""Every name of an image that a screen prints is taken by every command that takes an image."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, overwrite, tide_image, write
from make_image import make_iso

FILES = {"README.TXT": b"tide table\r\n"}
SERVED = {"pad_sectors": 400}  # the emulator refuses images of fewer than 300 blocks
NAMES = ("home: old/tide.iso", "home:old/tide.iso", "HOME:OLD/TIDE.ISO", "home/old/tide.iso")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    write(made.home / "old/tide.iso", make_iso(FILES, label="TIDE", joliet=3, **SERVED).data, DATE)
    deep = make_iso({"A/B/C/D/E/F/G/H/X.TXT": b"x"}, label="DEEP", joliet=3, **SERVED).data
    write(made.home / "deep.iso", deep, DATE)
    write(made.home / "small.iso", tide_image(), DATE)
    write(tmp_path / "card" / "tide.iso", make_iso(FILES, label="CARD", **SERVED).data, DATE)
    made.run("scan")
    return made


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", ["show", "check", "audit", "describe"])
def test_each_form_of_a_name(shelf: Shelf, command: str, name: str) -> None:
    # A long folder may part the name.
    assert "tide.iso" in "".join(shelf.run(command, name).stdout.split())


@pytest.mark.parametrize("name", NAMES)
def test_drivers_and_compare_take_them(shelf: Shelf, name: str) -> None:
    assert "win9x: 0 INF packages" in shelf.run("drivers", name, "-t", "win9x").stdout
    assert "same" in shelf.run("compare", name, shelf.home / "old/tide.iso").stdout


def test_what_audit_and_history_print_is_taken(shelf: Shelf) -> None:
    printed = shelf.run("audit").stdout.splitlines()[1].partition("  ")[0]
    assert printed == "card: tide.iso"
    assert printed in shelf.run("show", "--history", printed).stdout
    assert printed in shelf.run("audit", printed).stdout


def test_mend_and_convert_take_them(shelf: Shelf) -> None:
    shutil.copy(shelf.home / "old/tide.iso", shelf.folder / "card" / "copy.iso")
    shelf.run("scan")
    overwrite(shelf.home / "old/tide.iso", 40_000, b"!")
    mended = shelf.folder / "mended.iso"
    shelf.run("mend", "home: old/tide.iso", "--from", "card: copy.iso", "-o", mended)
    assert mended.read_bytes() == (shelf.folder / "card" / "copy.iso").read_bytes()
    refused = shelf.run("convert", "card:copy.iso", "-o", shelf.folder / "x.iso", code=15).output
    assert "copy.iso: holds sectors of 2,048 bytes already" in refused


def test_an_end_that_two_images_have_names_both(shelf: Shelf) -> None:
    said = shelf.run("show", "tide.iso", code=3).output
    assert "matches 2 images (card: tide.iso, home: old/tide.iso)" in " ".join(said.split())


def test_a_path_that_a_shelf_does_not_have(shelf: Shelf) -> None:
    said = shelf.run("check", "home:deeep.iso", code=3).output
    assert "no image on this shelf has this name; did you mean 'deep.iso'?" in said


def test_an_image_that_is_not_here_says_why(shelf: Shelf) -> None:
    (shelf.home / "deep.iso").unlink()
    assert "home: deep.iso: is missing" in shelf.run("show", "home:deep.iso", code=3).output
    shelf.home.rename(shelf.folder / "elsewhere")
    assert "home: deep.iso: its shelf is away" in shelf.run("show", "home:deep.iso", code=3).output


def test_a_pattern_is_all_that_fits(shelf: Shelf) -> None:
    inputs = shelf.json("check", "home:*", "-t", "nt6", code=1)["inputs"]
    assert [Path(one["input"]).name for one in inputs] == ["deep.iso", "tide.iso", "small.iso"]
    assert len(shelf.json("check", "home:d*.iso", "-t", "nt6")["inputs"]) == 1
    assert len(shelf.json("check", "card:")["inputs"]) == 1


@pytest.mark.parametrize("target", ["dos", "win9x", "nt5"])
def test_check_of_a_shelf_and_the_filter_of_the_list_agree(shelf: Shelf, target: str) -> None:
    overwrite(shelf.folder / "card" / "tide.iso", 40_000, b"!")
    shelf.run("audit", code=1)
    good = []
    for name in ("home:*", "card:*"):
        answer = shelf.json("check", name, "-t", target, code=1 if name == "home:*" else 0)
        good += [
            Path(one["input"]).name
            for one in answer["inputs"]
            if not any(finding["severity"] == "error" for finding in one["findings"])
        ]
    listed = [Path(one["path"]).name for one in shelf.json("list", "-t", target)["images"]]
    assert sorted(listed) == sorted(good)
    assert "small.iso" not in listed  # too small for the emulator
    assert listed == (["tide.iso"] if target == "dos" else ["deep.iso", "tide.iso"])


def test_what_is_left_out_is_said_and_can_be_asked_for(shelf: Shelf) -> None:
    overwrite(shelf.folder / "card" / "tide.iso", 40_000, b"!")
    shelf.run("audit", code=1)
    said = shelf.run("check", "card:*", "home:*", "-t", "nt6", code=1).stdout
    assert "Left out: 1 decayed; name an image itself to have it checked" in said
    left_out = shelf.json("check", "card:*", "home:*", "-t", "nt6", code=1)["left_out"]
    assert left_out == [{"input": "card: tide.iso", "state": "decayed", "reason": "decayed"}]
    assert len(shelf.json("check", "card:tide.iso", "-t", "nt6")["inputs"]) == 1
    asked = shelf.json("list", "-t", "nt6", "--state", "decayed")["images"]
    assert [one["path"] for one in asked] == ["tide.iso"]


def test_one_that_cannot_be_read_does_not_hide_the_others(shelf: Shelf) -> None:
    (shelf.home / "deep.iso").unlink()
    result = shelf.run("check", shelf.home / "gone.iso", "home:*", "-t", "nt6", code=3)
    assert "gone.iso: cannot be opened" in result.stderr
    assert "home: deep.iso: is missing" in result.stderr
    table = result.stdout.splitlines()[-3:]
    assert table[0].split() == [
        "system",
        "reads",
        "it",
        "with",
        "care",
        "damaged",
        "in",
        "part",
        "not",
        "at",
        "all",
    ]
    assert table[1].split() == ["nt6", "2", "0", "0", "0", "0"]
    assert table[2].startswith("2 discs checked; 1 of them not served whole by the emulator; 2 ")


@pytest.mark.parametrize("name", ["home:*", "home:", "home"])
def test_a_pattern_accepts_no_more_than_its_shelf_does(shelf: Shelf, name: str) -> None:
    overwrite(shelf.home / "deep.iso", 40_000, b"!")  # decay: to be accepted by its own name
    shelf.run("audit", "home", code=1)
    write(shelf.home / "small.iso", tide_image(5))
    shelf.run("scan", code=1)
    result = shelf.run("scan", "--accept", name, code=1)
    assert "accepted: small.iso" in result.stdout
    assert "home: deep.iso: not accepted with its shelf: it was found decayed" in " ".join(
        result.stdout.split()
    )
    states = {one["path"]: one["state"] for one in shelf.json("list", "--shelf", "home")["images"]}
    assert states["deep.iso"] == "decayed"
