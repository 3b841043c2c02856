"""A folder in a shelf's place that has nothing of it is not taken for the shelf."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, Library, open_library, overwrite, tide_image, write
from mediashelf.catalogue.scanning import origins
from mediashelf.catalogue.scanning.other_folder import ShelvesThere, other_folder

WORDS = "this does not look like the shelf: none of its 2 images is here"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    with open_library(tmp_path) as library:
        write(library.root / "tide.iso", tide_image(1), DATE)
        write(library.root / "sub" / "ebb.iso", tide_image(2, mebibytes=1), DATE)
        library.scan()
        library.audit()
    return Shelf(tmp_path, width=200)


def put_in_its_place(folder: Path, *, with_images: bool) -> Path:
    aside = folder.with_name("aside")
    folder.rename(aside)
    folder.mkdir()
    if with_images:
        write(folder / "other.iso", tide_image(3, mebibytes=2), DATE)
    return aside


@pytest.mark.parametrize("with_images", [False, True], ids=["empty", "foreign"])
def test_every_command_says_so_and_no_record_changes(shelf: Shelf, with_images: bool) -> None:
    before = shelf.json("list")["images"]
    aside = put_in_its_place(shelf.home, with_images=with_images)
    for _ in range(2):
        out = shelf.run("scan", code=1).stdout
        assert f"home: away ({WORDS}); 2 images keep their records" in out
        assert "error shelf-has-its-images" in out
        assert "0 images read" in out
        assert {image["state"] for image in shelf.json("list")["images"]} == {"away"}
        assert len(shelf.json("list")["images"]) == 2
    for name in ("home", shelf.home / "sub" / "ebb.iso", "sub/ebb.iso"):
        done = shelf.json("audit", name, code=1)
        known = [image for image in done["images"] if image["record"] is not None]
        assert {image["state"] for image in known} == {"away"}
        assert all(image["findings"][0]["severity"] == "error" for image in known)
        assert all(WORDS in image["findings"][0]["message"] for image in known)
    assert WORDS in shelf.run("audit", "--due", "1d", code=1).stdout
    assert "home   away" in shelf.run("shelf", "list").stdout
    for image in shelf.home.iterdir():
        image.unlink()
    shelf.home.rmdir()
    aside.rename(shelf.home)
    assert "home: 2 unchanged" in shelf.run("scan").stdout
    after = shelf.json("list")["images"]
    assert [image["digests"] for image in after] == [image["digests"] for image in before]
    assert "missing" not in shelf.run("show", "--history", shelf.home / "tide.iso").stdout


def test_audit_alone_says_so_too(shelf: Shelf) -> None:
    put_in_its_place(shelf.home, with_images=False)
    out = shelf.run("audit", code=1).stdout
    assert WORDS in out
    assert "2 images: 2 away." in out
    page = shelf.folder / "audit.html"
    shelf.run("audit", "--report", page, code=1)
    assert WORDS in page.read_text("utf-8")


def test_images_that_moved_inside_the_shelf_are_followed(shelf: Shelf) -> None:
    (shelf.home / "new").mkdir()
    (shelf.home / "tide.iso").rename(shelf.home / "new" / "a.iso")
    (shelf.home / "sub" / "ebb.iso").rename(shelf.home / "new" / "b.iso")
    assert "home: 2 moved" in shelf.run("scan").stdout


def floppy(number: int) -> bytes:
    return random.Random(number).randbytes(1_474_560)


@pytest.fixture
def floppies(library: Library) -> Library:
    """A shelf of images that all have one size, and nothing that is known on them."""
    for number in range(4):
        write(library.root / f"{number}.ima", floppy(number), DATE)
    library.scan()
    return library


def test_a_foreign_floppy_of_the_same_size_is_nothing_of_the_shelf(floppies: Library) -> None:
    put_in_its_place(floppies.root, with_images=False)
    write(floppies.root / "other.ima", floppy(9), DATE)
    plan, outcomes = floppies.scan()
    assert "none of its 4 images is here" in plan.shelves[0].away
    assert not outcomes
    assert set(floppies.states().values()) == {"away"}


@pytest.mark.parametrize("damaged_at", [None, 1_400_000, 10], ids=["whole", "end", "start"])
def test_one_floppy_that_moved_in_the_shelf_tells_that_it_is_the_shelf(
    floppies: Library, damaged_at: int | None
) -> None:
    if damaged_at is not None:
        overwrite(floppies.root / "2.ima", damaged_at, b"tide")
        floppies.audit()
        assert floppies.states()["home: 2.ima"] == "decayed"
    aside = put_in_its_place(floppies.root, with_images=False)
    (aside / "2.ima").rename(floppies.root / "two.ima")
    plan, _ = floppies.scan()
    assert not plan.shelves[0].away
    assert plan.shelves[0].missing == ["0.ima", "1.ima", "2.ima", "3.ima"]
    states = floppies.states()
    assert "home: 2.ima" not in states  # its record has followed it
    assert states["home: two.ima"] == ("damaged" if damaged_at is None else "decayed")


def test_a_missing_image_is_never_quiet(shelf: Shelf) -> None:
    (shelf.home / "tide.iso").unlink()
    for words in ("home: 1 unchanged, 1 missing", "home: 1 unchanged, 1 gone before"):
        out = shelf.run("scan", code=1).stdout
        assert words in out
        assert "error file-is-present" in out
        assert "home: 1 image is missing: tide.iso" in out
    assert shelf.json("scan", code=1)["findings"][0]["rule"] == "file-is-present"
    shelf.run("shelf", "drop", "home", "--only-missing", "--yes")
    shelf.run("scan")


def test_the_last_image_of_a_shelf_is_missing(library: Library) -> None:
    """Of one image alone nobody can tell a deleted file from another folder."""
    write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    (library.root / "tide.iso").unlink()
    plan, _ = library.scan()
    assert plan.shelves[0].missing == ["tide.iso"]
    assert library.states() == {"home: tide.iso": "missing"}


@pytest.mark.parametrize("with_images", [False, True], ids=["empty", "foreign"])
def test_records_of_a_shelf_that_is_away_do_not_move_to_copies(
    library: Library, with_images: bool
) -> None:
    """A scan of another shelf alone does not walk the one that was replaced."""
    for number in (1, 2, 3):
        write(library.root / f"{number}.iso", tide_image(number, mebibytes=2 * number - 1), DATE)
    library.scan()
    other = library.add_shelf("other")
    for number in (1, 2):
        write(other / f"{number}.iso", tide_image(number, mebibytes=2 * number - 1), DATE)
    put_in_its_place(library.root, with_images=with_images)
    assert library.events("other") == {"1.iso": "copy", "2.iso": "copy"}
    assert library.states() == {
        **{f"home: {number}.iso": "away" for number in (1, 2, 3)},
        **{f"other: {number}.iso": "recorded" for number in (1, 2)},
    }


def test_a_damaged_copy_elsewhere_does_not_take_the_record_of_a_shelf_that_is_away(
    library: Library,
) -> None:
    for number in (1, 2):
        write(library.root / f"{number}.iso", tide_image(number), DATE)
    library.scan()
    other = library.add_shelf("other")
    data = bytearray(tide_image(1))
    data[-1] ^= 0xFF
    write(other / "1.iso", bytes(data), DATE)
    put_in_its_place(library.root, with_images=False)
    library.scan("other")
    assert library.states() == {
        "home: 1.iso": "away",
        "home: 2.iso": "away",
        "other: 1.iso": "decayed",
    }


def test_images_of_a_shelf_that_was_not_scanned_again_are_followed(library: Library) -> None:
    other = library.add_shelf("other")
    for number in (1, 2):
        write(library.root / f"{number}.iso", tide_image(number), DATE)
    library.scan()
    (library.root / "1.iso").rename(other / "1.iso")
    assert library.events("other") == {"1.iso": "moved"}


def test_no_copy_follows_the_bytes_of_a_shelf_that_another_folder_replaced(
    library: Library,
) -> None:
    """The first of several copies told that the shelf was away; the next were called moved."""
    for number in range(3):
        write(library.root / f"{number}.iso", tide_image(1), DATE)
    library.scan()
    other = library.add_shelf("other")
    put_in_its_place(library.root, with_images=False)
    for number in range(3):
        write(other / f"{number}.iso", tide_image(1), DATE)
    library.scan("other")
    assert [row.path for row in library.catalogue.images(shelf="home")] == [
        f"{number}.iso" for number in range(3)
    ]
    assert set(library.states().values()) >= {"away"}
    assert len(library.catalogue.images()) == 6


def test_a_shelf_is_looked_through_once_for_all_images_that_moved_from_it(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was loaded and walked for each of them: a thousand took ten seconds."""
    asked: list[Path] = []

    def count(db: object, root: Path, rows: object, systems: object) -> str:
        asked.append(root)
        return other_folder(db, root, rows, systems)  # type: ignore[arg-type]

    monkeypatch.setattr(origins, "other_folder", count)
    for number in range(8):
        write(library.root / f"{number}.iso", tide_image(number), DATE)
    library.scan()
    other = library.add_shelf("other")
    for number in range(5):
        (library.root / f"{number}.iso").rename(other / f"{number}.iso")
    assert set(library.events("other").values()) == {"moved"}
    assert asked == [library.root]
    # What told it is not at its place any more: asked again, in this scan or the next.
    there = ShelvesThere()
    there.note(7, library.root, library.catalogue.images(shelf="home"))
    assert there.is_known(7)
    assert not there.is_known(8)
    for path in library.root.glob("*.iso"):
        path.unlink()
    assert not there.is_known(7)
