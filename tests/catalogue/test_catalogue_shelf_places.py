"""Shelves that change their place keep their records."""

from __future__ import annotations

from pathlib import Path

import pytest

from made_library import DATE, Library, tide_image, write
from mediashelf.catalogue.history import history_of
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.catalogue.shelves import add_shelf, move_to
from mediashelf.errors import CatalogueError
from mediashelf.jobs.library.shelves import register_shelf


@pytest.fixture
def tide(library: Library) -> Path:
    path = write(library.root / "sub" / "tide.iso", tide_image(1), DATE)
    library.scan()
    library.audit()
    return path


def elsewhere(library: Library) -> Path:
    return library.root.rename(library.root.parent / "elsewhere")


def test_a_shelf_follows_its_disk(library: Library, tide: Path) -> None:
    before = library.catalogue.images()[0]
    place = elsewhere(library)
    library.scan()
    assert library.states() == {"home: sub/tide.iso": "away"}
    shelf, found = move_to(library.catalogue, "HOME", place)
    assert (shelf.name, shelf.root, found) == ("home", place, 1)
    assert library.events() == {}
    assert library.states() == {"home: sub/tide.iso": "sound"}
    after = library.catalogue.images()[0]
    assert (after.id, after.recorded_at) == (before.id, before.recorded_at)
    assert len(history_of(library.catalogue.db, after.id)) == 2


def test_what_is_not_its_disk_is_refused(library: Library, tide: Path) -> None:
    card = library.add_shelf("card")
    other = library.root.parent / "other"
    write(other / "sub" / "tide.iso", b"something else", DATE)
    for folder, words in (
        (other, "none of the 1 images of the shelf 'home' is here"),
        (card, "is already the shelf 'card'"),
        (library.root.parent, "holds the shelf 'card'"),
    ):
        with pytest.raises(CatalogueError, match=words):
            move_to(library.catalogue, "home", folder)
    assert library.states() == {"home: sub/tide.iso": "sound"}


def test_a_parent_folder_takes_over_the_shelves_inside(library: Library, tide: Path) -> None:
    card = library.add_shelf("card")
    odd = "na\udcefve\n.iso"
    write(card / odd, tide_image(2), DATE)
    library.scan()
    ids = {row.path: row.id for row in library.catalogue.images()}
    shelf = add_shelf(library.catalogue, library.root.parent, "home")  # the name is free again
    assert [each.name for each in library.catalogue.shelves()] == ["home"]
    assert library.events() == {}
    assert library.states() == {
        f"home: card/{odd}": "recorded",
        "home: home/sub/tide.iso": "sound",
    }
    assert {row.path.partition("/")[2]: row.id for row in library.catalogue.images()} == ids
    assert shelf.image_count == 2


def test_a_disk_that_was_mounted_elsewhere_is_one_shelf(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        FileSystems, "of", lambda self, folder: "uuid CARD-1" if Path(folder).is_dir() else ""
    )
    library.scan()
    assert library.catalogue.images()[0].file_system == "uuid CARD-1"
    place = elsewhere(library)
    added = register_shelf(library.catalogue, place)
    assert (added.shelf.name, added.moved_from) == ("home", library.root)
    library.scan()
    assert library.states() == {"home: sub/tide.iso": "sound"}


def test_a_folder_with_the_images_of_an_absent_shelf_is_pointed_at(
    library: Library, tide: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the name of its file system does not make sure that it is the same disk."""
    monkeypatch.setattr(FileSystems, "of", lambda self, folder: "device 1")
    library.scan()
    place = elsewhere(library)
    added = register_shelf(library.catalogue, place)
    assert (added.shelf.name, added.looks_like) == ("elsewhere", "home")
    place.rename(library.root)
    (library.root.parent / "new").mkdir()
    assert register_shelf(library.catalogue, library.root.parent / "new").looks_like == ""
