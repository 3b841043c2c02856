"""``mediashelf find`` for images: name, label, date, digest, and the keeper's words."""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    write(made.home / "harbour/kiosk 98.iso", tide_image(1, label="KIOSK"), DATE)
    write(made.home / "Přílivy.iso", tide_image(2, label="TIDE"), DATE)
    write(tmp_path / "card" / "drivers.iso", tide_image(3, label="DRV"), DATE)
    made.run("scan")
    return made


def found(shelf: Shelf, *words: str) -> list[tuple[str, list[str]]]:
    images = shelf.json("find", *words)["images"]
    return [(one["image"]["path"], one["by"]) for one in images]


KIOSK, TIDE, DRIVERS = "harbour/kiosk 98.iso", "Přílivy.iso", "drivers.iso"


def test_by_name_and_label(shelf: Shelf) -> None:
    assert found(shelf, "KIOSK") == [(KIOSK, ["name"])]
    assert found(shelf, "harbour", "98") == [(KIOSK, ["name"])]
    assert found(shelf, "přílivy") == [(TIDE, ["name"])]
    assert found(shelf, "drv") == [(DRIVERS, ["label"])]
    assert found(shelf, "*.iso", "tide") == [(TIDE, ["name", "label"])]
    assert found(shelf, "kiosk", "nowhere") == []
    assert len(found(shelf, "iso")) == 3
    assert len(found(shelf, "iso", "--shelf", "card")) == 1


def test_by_a_digest_whole_or_its_beginning(shelf: Shelf) -> None:
    shelf.run("audit", "--digest", "sha256")
    digest = hashlib.sha256((shelf.home / KIOSK).read_bytes()).hexdigest()
    for text in (digest, digest.upper(), digest[:8]):
        assert found(shelf, text) == [(KIOSK, ["sha256"])]
    assert found(shelf, digest[:7]) == []
    assert found(shelf, digest[:9] + ("0" if digest[9] != "0" else "1")) == []


def test_by_a_digest_of_before(shelf: Shelf) -> None:
    (image,) = [one for one in shelf.json("list")["images"] if one["path"] == KIOSK]
    write(shelf.home / KIOSK, tide_image(8, label="KIOSK"))
    shelf.run("scan", code=1)
    shelf.run("scan", "--accept", shelf.home / KIOSK)
    digest = image["digests"]["xxh3_128"]
    assert found(shelf, digest[:12]) == [(KIOSK, ["earlier xxh3_128"])]


@pytest.mark.parametrize("text", ["1999", "1999-06", "1999-06-01"])
def test_by_the_date_of_a_volume(shelf: Shelf, text: str) -> None:
    assert found(shelf, text, "kiosk") == [(KIOSK, ["created", "name"])]
    assert found(shelf, text.replace("1999", "1998"), "kiosk") == []


def test_by_the_keepers_words(shelf: Shelf) -> None:
    shelf.run(
        *("describe", "kiosk 98.iso", "--tag", "exhibition", "--note", "Reads slowly"),
        *("--place", "box 3, attic", "--part-number", "LK-2041", "--set", "Quay 1/2"),
    )
    for text, by in {
        "exhib": "tag",
        "slowly": "note",
        "attic": "place",
        "lk-2041": "part number",
        "quay": "set",
    }.items():
        assert found(shelf, text) == [(KIOSK, [by])]
    assert found(shelf, "attic", "kiosk", "exhibition") == [(KIOSK, ["place", "name", "tag"])]


def test_by_the_name_that_other_screens_print(shelf: Shelf) -> None:
    assert found(shelf, f"home: {KIOSK}") == [(KIOSK, ["name"])]
    assert found(shelf, f"home:{KIOSK}") == [(KIOSK, ["name"])]
    assert found(shelf, f"card: {KIOSK}") == []
    odd = "card: 7* [x] half.iso"
    write(shelf.folder / "card" / "7_ [x] half.iso", tide_image(4), DATE)
    shelf.run("scan")
    assert found(shelf, odd.replace("*", "_")) == [("7_ [x] half.iso", ["name"])]


@pytest.mark.skipif(sys.platform == "win32", reason="a colon cannot be in a name of Windows")
def test_by_a_name_with_a_colon(shelf: Shelf) -> None:
    write(shelf.folder / "card" / "a: b.iso", tide_image(5), DATE)
    shelf.run("scan")
    assert found(shelf, "card: a: b.iso") == [("a: b.iso", ["name"])]


def test_images_come_before_files(shelf: Shelf) -> None:
    lines = shelf.run("find", "drivers").stdout.splitlines()
    assert lines[0].split() == ["image", "shelf", "label", "state", "found", "by"]
    assert lines[1].split() == ["drivers.iso", "card", "DRV", "recorded", "name"]
    assert lines[2] == ""
    assert lines[3].split()[0] == "file"
    assert "file " not in shelf.run("find", "drivers", "--images").stdout
    assert shelf.json("find", "drivers", "--files")["images"] == []
    assert "Nothing found." in shelf.run("find", "kiosk", "--files").stdout
    assert "Nothing found." not in shelf.run("find", "kiosk").stdout
    shelf.run("find", "drivers", "--files", "--images", code=2)


def test_more_than_the_limit(shelf: Shelf) -> None:
    answer = shelf.json("find", ".iso", "--limit", "2")
    assert [one["image"]["path"] for one in answer["images"]] == [DRIVERS, TIDE]
    assert answer["more_images"] == 1
    assert "… and 1 more images" in shelf.run("find", ".iso", "--limit", "2").stdout


def test_an_image_that_is_away_is_found(shelf: Shelf) -> None:
    shelf.home.rename(shelf.folder / "unplugged")
    shelf.run("scan")
    assert found(shelf, "kiosk") == [(KIOSK, ["name"])]


@pytest.mark.parametrize("width", [40, 80])
def test_a_narrow_terminal(shelf: Shelf, width: int) -> None:
    shelf.width = width
    assert max(map(len, shelf.run("find", "iso").stdout.splitlines())) <= width
