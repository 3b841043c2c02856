"""``mediashelf shelf``: registering folders and forgetting them."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    (tmp_path / "home").mkdir()
    return Shelf(tmp_path, width=200)


def test_add_list_drop(shelf: Shelf) -> None:
    assert "No shelves yet" in shelf.run("shelf", "list").stdout
    assert not shelf.catalogue.exists()
    added = shelf.run("shelf", "add", shelf.home, "--name", "my discs").stdout
    assert "mediashelf scan 'my discs'" in added
    write(shelf.home / "tide.iso", tide_image(), DATE)
    shelf.run("scan")
    listed = shelf.run("shelf", "list").stdout.splitlines()
    assert listed[0].split() == ["shelf", "now", "images", "size", "scanned", "folder"]
    assert listed[1].startswith("my discs  here       1")
    dropped = shelf.run("shelf", "drop", "my discs", input="y\n").stdout
    assert "This forgets the record of 1 image on my discs" in dropped
    assert "No image is touched." in dropped
    assert (shelf.home / "tide.iso").read_bytes() == tide_image()
    assert "No shelves yet" in shelf.run("shelf", "list").stdout


def test_dropping_asks_first(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    for answer in ("n\n", ""):
        shelf.run("shelf", "drop", "home", input=answer, code=1)
        assert shelf.json("shelf", "list")["shelves"]
    shelf.run("shelf", "drop", "home", "--yes")
    assert shelf.json("shelf", "list")["shelves"] == []


def test_json_cannot_ask(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    assert "say --yes" in shelf.run("shelf", "drop", "home", "--json", code=2).stderr


def test_json_shapes(shelf: Shelf) -> None:
    added = shelf.json("shelf", "add", shelf.home)
    assert (added["command"], added["version"]) == ("shelf add", 1)
    listed = shelf.json("shelf", "list")
    assert listed == {"command": "shelf list", "version": 1, "shelves": [added["shelf"]]}
    assert added["shelf"]["name"] == "home"
    assert added["shelf"]["root"] == str(shelf.home)
    assert added["shelf"]["is_here"] is True
    assert added["shelf"]["scanned_at"] is None
    dropped = shelf.json("shelf", "drop", "home", "--yes")
    assert (dropped["shelf_dropped"], dropped["images_forgotten"]) == (True, 0)


def test_a_shelf_whose_folder_is_gone_is_away(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    shelf.home.rmdir()
    assert shelf.json("shelf", "list")["shelves"][0]["is_here"] is False
    assert "away" in shelf.run("shelf", "list").stdout


def test_only_missing(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    write(shelf.home / "tide.iso", tide_image(1), DATE)
    write(shelf.home / "gone.iso", tide_image(2), DATE).rename(shelf.folder / "aside.iso")
    shelf.run("scan")
    (shelf.folder / "aside.iso").rename(shelf.home / "gone.iso")
    shelf.run("scan")
    (shelf.home / "gone.iso").unlink()
    shelf.run("scan", code=1)
    dropped = shelf.json("shelf", "drop", "home", "--only-missing", "--yes")
    assert (dropped["shelf_dropped"], dropped["images_forgotten"]) == (False, 1)
    assert [row["path"] for row in shelf.json("list")["images"]] == ["tide.iso"]


def test_a_move_counts_all_images_on_record(shelf: Shelf) -> None:
    shelf.run("shelf", "add", shelf.home)
    write(shelf.home / "tide.iso", tide_image(1), DATE)
    write(shelf.home / "ebb.iso", tide_image(2), DATE)
    shelf.run("scan")
    aside = shelf.home.rename(shelf.folder / "aside")
    shelf.home.mkdir()
    assert "home: away" in shelf.run("scan", code=1).stdout
    moved = shelf.run("shelf", "move", "home", aside).stdout
    assert "2 of 2 images there" in moved
    assert "Look for new ones with: mediashelf scan home" in moved
    (aside / "ebb.iso").unlink()
    moved = shelf.run("shelf", "move", "home", aside).stdout
    assert "1 of 2 images there" in moved
    assert "Look for the others with: mediashelf scan home" in moved


def test_a_name_that_a_shelf_cannot_have(shelf: Shelf) -> None:
    for name in ("a/b", " a", "a\x1b", "a" * 61):
        shelf.run("shelf", "add", shelf.home, "--name", name, code=2)
    assert shelf.json("shelf", "list")["shelves"] == []
    shelf.run("shelf", "add", shelf.home, "--name", "one")
    (shelf.folder / "two").mkdir()
    told = shelf.run("shelf", "add", shelf.folder / "two", "--name", "One", code=3).stderr
    assert "a shelf is called 'One' already" in told


def test_errors_have_their_exit_codes(shelf: Shelf) -> None:
    assert "is not a readable folder" in shelf.run("shelf", "add", shelf.home / "no", code=3).stderr
    shelf.run("shelf", "add", shelf.home)
    assert "already" in shelf.run("shelf", "add", shelf.home, code=10).stderr
    assert "did you mean" in shelf.run("shelf", "drop", "hom", "--yes", code=3).stderr
    shelf.catalogue.write_bytes(b"no database" * 1000)
    assert "is not a catalogue" in shelf.run("shelf", "list", code=10).stderr


def test_help_has_examples(shelf: Shelf) -> None:
    for command in ("add", "drop"):
        assert f"mediashelf shelf {command}" in shelf.run("shelf", command, "--help").stdout
