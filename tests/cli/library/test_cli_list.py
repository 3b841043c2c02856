"""``mediashelf list``: filters, columns, findings, JSON."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from make_image import make_iso


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path)
    for name in ("home", "card"):
        (tmp_path / name).mkdir()
        made.run("shelf", "add", tmp_path / name)
    write(made.home / "tide.iso", tide_image(1), DATE)
    write(made.home / "cut.iso", tide_image(2, label="CUT")[:-8192], DATE)
    write(made.home / "d.cue", b'FILE "d.bin" BINARY\n', DATE)
    deep = make_iso({"A/B/C/D/E/F/G/H/X.TXT": b"x"}, label="DEEP", joliet=3).data
    write(tmp_path / "card" / "deep.iso", deep, DATE)
    made.run("scan")
    return made


def listed(shelf: Shelf, *filters: str) -> list[str]:
    return [image["path"] for image in shelf.json("list", *filters)["images"]]


def test_everything(shelf: Shelf) -> None:
    lines = shelf.run("list").stdout.splitlines()
    assert lines[0].split() == ["image", "shelf", "label", "volumes", "size", "state", "findings"]
    assert [line.split()[0] for line in lines[1:-1]] == ["deep.iso", "cut.iso", "d.cue", "tide.iso"]
    assert "iso9660+joliet" in lines[4]
    assert lines[-1].startswith("4 images, ")
    assert lines[-1].endswith("on 2 shelves")


def test_filters(shelf: Shelf) -> None:
    assert listed(shelf, "--shelf", "card") == ["deep.iso"]
    assert listed(shelf, "--kind", "joliet", "--shelf", "home") == ["cut.iso", "tide.iso"]
    assert listed(shelf, "--kind", "udf") == []
    assert listed(shelf, "--kind", "sheet") == ["d.cue"]
    assert listed(shelf, "--label", "tid") == ["tide.iso"]
    assert listed(shelf, "--state", "truncated") == ["cut.iso"]
    assert listed(shelf, "--state", "recorded", "--shelf", "home") == ["tide.iso"]
    assert listed(shelf, "--state", "damaged") == ["d.cue"]  # it names no track
    assert "tide.iso" in listed(shelf, "--target", "dos")
    assert "deep.iso" not in listed(shelf, "--target", "dos")
    assert "deep.iso" in listed(shelf, "--target", "nt5")
    assert "d.cue" not in listed(shelf, "--target", "nt5")
    assert listed(shelf, "--label", "nowhere") == []
    assert "No image on record is like that." in shelf.run("list", "--label", "nowhere").stdout


def test_findings_are_shown_on_request(shelf: Shelf) -> None:
    out = shelf.run("list", "--state", "truncated", "--findings").stdout
    assert "home: cut.iso" in out
    assert "error image-is-whole" in out
    (image,) = shelf.json("list", "--state", "truncated", "--findings")["images"]
    assert "image-is-whole" in {finding["rule"] for finding in image["findings"]}
    assert image["finding_counts"]["error"] >= 1


def test_quiet_gives_the_images_alone(shelf: Shelf) -> None:
    assert shelf.run("list", "--label", "nowhere", "-q").stdout == ""
    assert shelf.run("list", "-q").stdout.splitlines() == shelf.run("list").stdout.splitlines()[:-1]


def test_json_shape(shelf: Shelf) -> None:
    document = shelf.json("list", "--label", "tide")
    assert (document["command"], document["version"]) == ("list", 1)
    (image,) = document["images"]
    assert set(image) == {
        *("shelf", "path", "file", "size", "state", "presence", "verdict", "problem", "label"),
        *("kinds", "is_sheet", "looks_raw", "entry_count", "digests", "recorded_at"),
        *("confirmed_at", "scanned_at", "audited_at", "finding_counts"),
    }
    assert image["file"] == str(shelf.home / "tide.iso")
    assert image["kinds"] == ["iso9660", "joliet"]


def test_hostile_labels_reach_the_terminal_escaped(shelf: Shelf) -> None:
    data = tide_image(5, label="EVILEVIL").replace(b"EVILEVIL", b"\x1b[2JEVIL")
    write(shelf.home / "evil.iso", data, DATE)
    shelf.run("scan")
    out = shelf.run("list").stdout
    assert "\x1b" not in out
    assert shelf.run("list", "--label", "evil").stdout


def test_unknown_words_are_explained(shelf: Shelf) -> None:
    assert "did you mean 'card'" in shelf.run("list", "--shelf", "cart", code=10).stderr
    assert "did you mean 'dos'" in shelf.run("list", "--target", "doss", code=7).stderr
    shelf.run("list", "--kind", "udff", code=2)
    shelf.run("list", "--state", "good", code=2)


def test_nothing_on_record(tmp_path: Path) -> None:
    assert "mediashelf shelf add FOLDER" in Shelf(tmp_path).run("list").stdout


def test_a_narrow_terminal(shelf: Shelf) -> None:
    shelf.width = 40
    out = shelf.run("list", "--findings").stdout
    assert max(map(len, out.splitlines())) <= 40
    assert "tide.iso\n  shelf: home\n  label: TIDE\n" in out


def test_the_history_of_one_image(shelf: Shelf) -> None:
    shelf.run("audit", shelf.home / "tide.iso")
    out = shelf.run("list", "--history", "tide.iso").stdout
    assert out.splitlines()[0] == "home: tide.iso (sound)"
    assert re.search(r"^\d{4}-\d\d-\d\d \d\d:\d\d recorded \(scan\)$", out, re.MULTILINE)
    assert re.search(r"^\S+ \S+ confirmed \(audit\)$", out, re.MULTILINE)
    assert re.search(r"Bytes last confirmed: on \d{4}-\d\d-\d\d\.$", out)
    for name in ("home/tide.iso", "TIDE.ISO", str(shelf.home / "tide.iso")):
        assert shelf.run("list", "--history", name).stdout == out
    (shelf.home / "tide.iso").unlink()  # an image that has gone still has its history
    assert "recorded (scan)" in shelf.run("list", "--history", shelf.home / "tide.iso").stdout


def test_the_same_thing_many_times_is_one_line(shelf: Shelf) -> None:
    for _ in range(4):
        shelf.run("audit", shelf.home / "tide.iso")
    out = shelf.run("list", "--history", "tide.iso", "-q").stdout
    assert len(out.splitlines()) == 2
    assert "confirmed 4 times (audit)" in out
    document = shelf.json("list", "--history", "tide.iso")
    assert [one["event"] for one in document["history"]] == ["recorded", *["confirmed"] * 4]


def test_the_history_says_what_was_wrong(shelf: Shelf) -> None:
    shelf.run("audit", shelf.home / "cut.iso", code=1)
    shelf.width = 40
    out = shelf.run("list", "--history", "cut.iso").stdout
    assert "truncated (audit)" in out
    assert "are past the end" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 40


def test_history_as_json(shelf: Shelf) -> None:
    document = shelf.json("list", "--history", "deep.iso")
    assert set(document) == {"command", "version", "image", "history"}
    assert (document["image"]["shelf"], document["image"]["path"]) == ("card", "deep.iso")
    (row,) = document["history"]
    assert set(row) == {"happened_at", "event", "seen_by", "detail", "session"}
    assert (row["event"], row["seen_by"], row["session"]) == ("recorded", "scan", None)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("nowhere.iso", "no image on record"),
        ("home", "no image on record"),  # the name of a shelf
        (".", "is a folder; name one image"),
        (__file__, "is not on record; scan its shelf first"),
    ],
)
def test_histories_of_what_is_no_image(shelf: Shelf, name: str, told: str) -> None:
    assert told in shelf.run("list", "--history", name, code=3).stderr


def test_a_history_takes_no_filters(shelf: Shelf) -> None:
    for more in (["--state", "sound"], ["-t", "dos"], ["--findings"], ["--shelf", "home"]):
        assert (
            "takes no filters" in shelf.run("list", "--history", "tide.iso", *more, code=2).stderr
        )


def test_hostile_names_in_a_history(shelf: Shelf) -> None:
    write(shelf.home / "\x1b[2J.iso", tide_image(6), DATE)
    shelf.run("scan")
    write(shelf.home / "copy.iso", tide_image(6), DATE)
    shelf.run("scan")
    for name in ("\x1b[2J.iso", "copy.iso"):
        out = shelf.run("list", "--history", name).stdout
        assert "\x1b" not in out
        assert "\\x1b[2J.iso" in out
