"""Shelves: names, nested and repeated folders, and what dropping forgets."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from made_library import DATE, Library, tide_image, write
from mediashelf.catalogue.shelves import add_shelf, drop_shelf, forget_missing
from mediashelf.errors import CatalogueError, InputError


def test_a_shelf_is_called_as_its_folder(library: Library) -> None:
    folder = library.root.parent / "Discs of 1999"
    folder.mkdir()
    shelf = add_shelf(library.catalogue, folder)
    assert (shelf.name, shelf.root) == ("Discs of 1999", folder)
    assert library.catalogue.shelf("discs OF 1999") == shelf


def test_a_taken_default_name_gets_a_number(library: Library) -> None:
    other = library.root.parent / "other" / "HOME"
    third = library.root.parent / "third" / "home"
    for folder in (other, third):
        folder.mkdir(parents=True)
    assert add_shelf(library.catalogue, other).name == "HOME-2"
    assert add_shelf(library.catalogue, third).name == "home-3"


def test_a_relative_folder_is_kept_absolute(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    (library.root.parent / "card").mkdir()
    monkeypatch.chdir(library.root.parent)
    assert add_shelf(library.catalogue, Path("card")).root == library.root.parent / "card"


def test_a_link_is_kept_as_written(library: Library) -> None:
    real = library.root.parent / "real"
    real.mkdir()
    link = library.root.parent / "link"
    link.symlink_to(real)
    assert add_shelf(library.catalogue, link).root == link
    with pytest.raises(CatalogueError, match="is already the shelf 'link'"):
        add_shelf(library.catalogue, real)


def test_a_folder_inside_a_shelf_is_refused(library: Library) -> None:
    inner = library.root / "inner"
    inner.mkdir()
    with pytest.raises(CatalogueError, match="is already the shelf 'home'"):
        add_shelf(library.catalogue, library.root)
    with pytest.raises(CatalogueError, match="is inside the shelf 'home'"):
        add_shelf(library.catalogue, inner)
    beside = library.root.parent / "home-beside"  # a name that begins alike is no nesting
    beside.mkdir()
    add_shelf(library.catalogue, beside)


def test_what_is_no_folder_is_refused(library: Library) -> None:
    for bad in (library.root / "nothing", write(library.root / "file", b"")):
        with pytest.raises(InputError, match="is not a readable folder"):
            add_shelf(library.catalogue, bad)


@pytest.mark.parametrize("name", ["a/b", "a\\b", " a", "a ", "a\nb", "\x1b[2J", "x" * 61, "HOME"])
def test_names_that_do_not_go(library: Library, name: str) -> None:
    folder = library.root.parent / "card"
    folder.mkdir()
    with pytest.raises(InputError):
        add_shelf(library.catalogue, folder, name)


def test_a_folder_with_a_hostile_name_gets_a_harmless_one(library: Library) -> None:
    folder = Path(os.fsdecode(os.fsencode(library.root.parent) + b"/\x1b[2J caf\xe9"))
    folder.mkdir()
    shelf = add_shelf(library.catalogue, folder)
    assert shelf.name == "_x1b[2J caf_udce9"
    assert library.catalogue.shelf(shelf.name).root == folder


def test_an_unknown_shelf_names_the_nearest(library: Library) -> None:
    with pytest.raises(InputError, match="no shelf is called 'hom'; did you mean 'home'"):
        library.catalogue.shelf("hom")


def test_dropping_forgets_records_and_touches_nothing(library: Library) -> None:
    card = library.add_shelf("card")
    data = tide_image()
    write(card / "tide.iso", data, DATE)
    write(library.root / "tide.iso", data, DATE)
    library.scan()
    assert drop_shelf(library.catalogue, "card") == 1
    assert (card / "tide.iso").read_bytes() == data
    assert library.states() == {"home: tide.iso": "recorded"}
    assert {hit.image.shelf for hit in library.catalogue.find("lkvx3").hits} == {"home"}
    assert drop_shelf(library.catalogue, "home") == 1
    for table in (
        "images",
        "fixity",
        "entries",
        "names",
        "folders",
        "volumes",
        "disc_facts",
        "findings",
    ):
        count = library.catalogue.db.execute(f"SELECT count(*) FROM {table}").fetchone()
        assert count == (0,), table
    assert library.catalogue.find("lkvx3").hits == []


def test_only_missing_images_can_be_forgotten(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(1), DATE)
    gone = write(library.root / "gone.iso", tide_image(2), DATE)
    library.scan()
    gone.unlink()
    library.scan()
    assert forget_missing(library.catalogue, "home") == 1
    assert library.states() == {"home: tide.iso": "recorded"}


def test_shelves_count_what_is_not_missing(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(1), DATE)
    gone = write(library.root / "gone.iso", tide_image(2), DATE)
    library.scan()
    gone.unlink()
    library.scan()
    (shelf,) = library.catalogue.shelves()
    assert (shelf.image_count, shelf.total_size) == (1, (library.root / "tide.iso").stat().st_size)
    assert shelf.scanned_at is not None
