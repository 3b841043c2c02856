"""``mediashelf show --history``: what happened to one image."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from make_image import make_iso


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    write(made.home / "tide.iso", tide_image(1), DATE)
    write(made.home / "cut.iso", tide_image(2, label="CUT")[:-8192], DATE)
    deep = make_iso({"A/B/C/D/E/F/G/H/X.TXT": b"x"}, label="DEEP", joliet=3).data
    write(tmp_path / "card" / "deep.iso", deep, DATE)
    made.run("scan")
    return made


def test_the_history_of_one_image(shelf: Shelf) -> None:
    shelf.run("audit", shelf.home / "tide.iso")
    out = shelf.run("show", "--history", "tide.iso").stdout
    assert out.splitlines()[0] == "home: tide.iso (sound)"
    moment = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ"
    assert re.search(rf"^{moment} recorded \(scan\)$", out, re.MULTILINE)
    assert re.search(rf"^{moment} confirmed \(audit\)$", out, re.MULTILINE)
    assert re.search(r"Bytes last confirmed: on \d{4}-\d\d-\d\d\.$", out)
    for name in (
        "home/tide.iso",
        "home: tide.iso",
        "HOME:tide.iso",
        "TIDE.ISO",
        str(shelf.home / "tide.iso"),
    ):
        assert shelf.run("show", "--history", name).stdout == out
    (shelf.home / "tide.iso").unlink()  # an image that has gone still has its history
    assert "recorded (scan)" in shelf.run("show", "--history", shelf.home / "tide.iso").stdout


def test_the_same_thing_many_times_is_one_line(shelf: Shelf) -> None:
    for _ in range(4):
        shelf.run("audit", shelf.home / "tide.iso")
    out = shelf.run("show", "--history", "tide.iso", "-q").stdout
    assert len(out.splitlines()) == 2
    assert "confirmed 4 times (audit)" in out
    document = shelf.json("show", "--history", "tide.iso")
    assert [one["event"] for one in document["history"]] == ["recorded", *["confirmed"] * 4]


def test_the_history_says_what_was_wrong(shelf: Shelf) -> None:
    shelf.run("audit", shelf.home / "cut.iso", code=1)
    shelf.width = 40
    out = shelf.run("show", "--history", "cut.iso").stdout
    assert "truncated (audit)" in out
    assert "past the end of the image" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 40


def test_history_as_json(shelf: Shelf) -> None:
    document = shelf.json("show", "--history", "deep.iso")
    assert set(document) == {"command", "version", "image", "record", "history"}
    assert document["image"] == str(shelf.folder / "card" / "deep.iso")
    assert (document["record"]["shelf"], document["record"]["path"]) == ("card", "deep.iso")
    (row,) = document["history"]
    assert set(row) == {"happened_at", "event", "seen_by", "detail", "session"}
    assert (row["event"], row["seen_by"], row["session"]) == ("recorded", "scan", None)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("nowhere.iso", "no shelf, file, folder or image on record has this name"),
        ("home", "is a shelf; name one image"),
        (".", "is a folder; name one image"),
        (__file__, "is not on record; scan its shelf first"),
    ],
)
def test_histories_of_what_is_no_image(shelf: Shelf, name: str, told: str) -> None:
    assert told in shelf.run("show", "--history", name, code=3).stderr


def test_a_history_opens_no_image(shelf: Shelf) -> None:
    for more in (["--tree"], ["-t", "dos"], ["--volume", "udf"], ["--all"]):
        told = shelf.run("show", "--history", "tide.iso", *more, code=2).stderr
        assert "opens no image" in told


def test_histories_of_several_images(shelf: Shelf) -> None:
    out = shelf.run("show", "--history", "tide.iso", "cut.iso").stdout
    assert out.index("home: tide.iso (recorded)") < out.index("home: cut.iso (truncated)")
    assert "name one" in shelf.run("show", "--history", "a", "b", "--json", code=2).stderr


def test_hostile_names_in_a_history(shelf: Shelf) -> None:
    write(shelf.home / "\x1b[2J.iso", tide_image(6), DATE)
    shelf.run("scan")
    write(shelf.home / "copy.iso", tide_image(6), DATE)
    shelf.run("scan")
    for name in ("\x1b[2J.iso", "copy.iso"):
        out = shelf.run("show", "--history", name).stdout
        assert "\x1b" not in out
        assert "\\x1b[2J.iso" in out


def test_an_image_on_record_is_shown_by_its_name(shelf: Shelf) -> None:
    for name in ("home: tide.iso", "home/tide.iso", "tide.iso"):
        out = shelf.run("show", name).stdout
        assert out == shelf.run("show", shelf.home / "tide.iso").stdout
    assert "has this name" in shelf.run("show", "home: none.iso", code=3).stderr
    (shelf.home / "tide.iso").unlink()
    assert "is missing" in shelf.run("show", "tide.iso", code=3).stderr


def test_a_moment_of_the_history_is_one_for_mend(shelf: Shelf) -> None:
    out = shelf.run("show", "--history", "tide.iso", "-q").stdout
    moment = out.split()[0]
    done = shelf.run("mend", "tide.iso", "-n", "--as-of", moment).stdout
    assert "Every byte is as recorded" in " ".join(done.split())
