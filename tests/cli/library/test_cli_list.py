"""``mediashelf list``: filters, columns, findings, JSON."""

from __future__ import annotations

import sqlite3
from contextlib import closing
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
    assert listed(shelf, "--label", "nowhere") == []
    assert "No image matches these filters." in shelf.run("list", "--label", "nowhere").stdout


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
        *("confirmed_at", "scanned_at", "audited_at", "finding_counts", "waiting"),
        *("description", "expected", "disc", "set"),
    }
    assert set(image["disc"]) == {
        *("created", "modified", "effective", "application", "boot", "scripts", "installers"),
        *("set_name", "set_number", "set_size"),
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
    assert "did you mean 'card'" in shelf.run("list", "--shelf", "cart", code=3).stderr
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


def test_the_history_of_an_image_is_shown_elsewhere(shelf: Shelf) -> None:
    told = shelf.run("list", "--history", "tide.iso", code=2).stderr
    assert "Use instead: mediashelf show --history IMAGE" in told
    assert "--history" not in shelf.run("list", "--help").stdout


def test_a_page_and_csv_at_once(shelf: Shelf) -> None:
    page = shelf.folder / "library.html"
    said = shelf.run("list", "--csv", "--columns", "image", "--report", page).stdout
    assert said.splitlines() == ["image", "deep.iso", "cut.iso", "d.cue", "tide.iso"]
    assert page.exists()


def test_by_state_the_worst_comes_first(shelf: Shelf) -> None:
    (shelf.home / "tide.iso").unlink()
    shelf.run("scan", code=1)
    assert listed(shelf, "--sort", "state") == ["cut.iso", "d.cue", "tide.iso", "deep.iso"]


def test_a_date_of_a_clock_that_was_ahead_is_told(shelf: Shelf) -> None:
    """Own behaviour: it was shown as any date, though audit --due does not believe it."""
    with closing(sqlite3.connect(shelf.catalogue)) as db, db:
        db.execute(
            "UPDATE fixity SET confirmed_at = '2199-01-02T03:04:05Z' WHERE image_id = "
            "(SELECT id FROM images WHERE path = CAST('tide.iso' AS BLOB))"
        )
    words = ("--columns", "image,confirmed")
    said = shelf.run("list", *words, "--name", "tide.iso").stdout
    assert "2199-01-02 (in the future)" in said
    assert "in the future" not in shelf.run("list", *words, "--name", "deep.iso").stdout
    assert "2199-01-02T03:04:05Z" in shelf.run("list", *words, "--csv").stdout
    history = shelf.run("show", "--history", "tide.iso").stdout
    assert "Bytes last confirmed: on 2199-01-02 (in the future)." in history
