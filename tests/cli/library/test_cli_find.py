"""``mediashelf find``: words, limits, JSON, hostile names."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, write
from make_image import make_iso


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.with_discs(tmp_path, 3)


def test_a_file_is_found_in_every_image(shelf: Shelf) -> None:
    lines = shelf.run("find", "lkvx3").stdout.splitlines()
    assert lines[0].split() == ["file", "size", "image", "shelf", "state"]
    assert [line.split()[0] for line in lines[1:]] == ["/DRIVERS/VIDEO/LKVX3.VXD"] * 3
    assert [line.split()[-3:] for line in lines[1:]] == [
        [f"{number}.iso", "home", "recorded"] for number in range(3)
    ]


def test_folders_end_with_a_slash(shelf: Shelf) -> None:
    assert "/DRIVERS/VIDEO/ " in shelf.run("find", "video").stdout


def test_words_need_no_quotes(shelf: Shelf) -> None:
    assert len(shelf.json("find", "quil", "sys")["hits"]) == 3
    assert shelf.json("find", "quil", "sys")["text"] == "quil sys"


def test_limit_and_more(shelf: Shelf) -> None:
    out = shelf.run("find", "lkvx", "--limit", "2").stdout
    assert "… and 4 more; narrow the search or raise --limit" in out
    document = shelf.json("find", "lkvx", "--limit", "2")
    assert (len(document["hits"]), document["more"], document["more_is_exact"]) == (2, 4, True)
    shelf.run("find", "lkvx", "--limit", "0", code=2)


def test_quiet_gives_the_hits_alone(shelf: Shelf) -> None:
    assert shelf.run("find", "nowhere", "-q").stdout == ""
    full = shelf.run("find", "lkvx", "--limit", "2").stdout.splitlines()
    assert shelf.run("find", "lkvx", "--limit", "2", "-q").stdout.splitlines() == full[:-1]


def test_json_shape(shelf: Shelf) -> None:
    document = shelf.json("find", "readme")
    assert (document["command"], document["version"]) == ("find", 1)
    hit = document["hits"][0]
    assert set(hit) == {"path", "other_path", "size", "is_directory", "image"}
    assert hit["other_path"] is None
    assert hit["path"] == "/README.TXT"
    assert hit["size"] == len(b"tide table 0\r\n")
    assert hit["image"]["file"] == str(shelf.home / "0.iso")


@pytest.fixture
def twins(tmp_path: Path) -> Shelf:
    """One disc with a name that its ISO tree has to cut."""
    made = Shelf.with_shelves(tmp_path, "home")
    disc = make_iso(
        {"LARKSPUR/LARKSP01.VXD": b"driver", "LARKSPUR/READ.TXT": b"read"},
        joliet=3,
        long_names={"LARKSPUR": "Larkspur Video", "LARKSPUR/LARKSP01.VXD": "Larkspur display.vxd"},
    )
    write(made.home / "d.iso", disc.data, DATE)
    made.run("scan")
    return made


def test_a_file_with_two_names_is_one_line(twins: Shelf) -> None:
    lines = twins.run("find", "vxd").stdout.splitlines()
    assert lines[0].split() == ["file", "also", "named", "size", "image", "shelf", "state"]
    assert [line.split()[:4] for line in lines[1:]] == [
        ["/Larkspur", "Video/Larkspur", "display.vxd", "LARKSP01.VXD"]
    ]
    (hit,) = twins.json("find", "vxd")["hits"]
    assert hit["path"] == "/Larkspur Video/Larkspur display.vxd"
    assert hit["other_path"] == "/LARKSPUR/LARKSP01.VXD"


def test_the_name_that_does_not_fit_is_not_shown(twins: Shelf) -> None:
    assert "LARKSP01" not in twins.run("find", "display").stdout
    assert "also named" not in twins.run("find", "display").stdout


def test_nothing_found_is_no_failure(shelf: Shelf, tmp_path: Path) -> None:
    assert shelf.run("find", "nowhere").stdout == "Nothing found.\n"
    assert "Nothing is on record yet" in Shelf(tmp_path / "none").run("find", "x").stdout


@pytest.mark.parametrize("text", ['"', "'", "*", "a AND", "(", "^x", "col:x", "-", "NEAR(a b)"])
def test_no_text_is_an_error(shelf: Shelf, text: str) -> None:
    shelf.run("find", "--", text)


def test_a_text_is_needed(shelf: Shelf) -> None:
    shelf.run("find", code=2)
    assert "TEXT is empty: give part of a name" in shelf.run("find", " ", code=2).output


def test_a_narrow_terminal(shelf: Shelf) -> None:
    shelf.width = 40
    out = shelf.run("find", "lkvx3").stdout
    assert max(map(len, out.splitlines())) <= 40
    assert "/DRIVERS/VIDEO/LKVX3.VXD\n  size: " in out
