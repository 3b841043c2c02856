"""Images that moved, were copied, are missing, or are away with their shelf."""

from __future__ import annotations

import os

from made_library import DATE, TICK, Library, not_found, tide_image, write
from mediashelf.catalogue.scanning.scan_plan import Event


def test_a_moved_image_keeps_its_record(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    library.audit()
    before = library.catalogue.images()[0]
    (library.root / "deep" / "er").mkdir(parents=True)
    path.rename(library.root / "deep" / "er" / "flood.iso")
    assert library.events() == {"deep/er/flood.iso": "moved"}
    (row,) = library.catalogue.images()
    assert row.id == before.id
    assert row.path == "deep/er/flood.iso"
    assert (row.recorded_at, row.audited_at) == (before.recorded_at, before.audited_at)
    assert row.state == "recorded"


def test_a_move_to_another_shelf_is_a_move(library: Library) -> None:
    card = library.add_shelf("card")
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    path.rename(card / "tide.iso")
    assert library.events("card") == {"tide.iso": "moved"}  # home itself is not scanned again
    assert library.states() == {"card: tide.iso": "recorded"}


def test_a_copy_has_a_record_of_its_own(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    write(library.root / "copy.iso", path.read_bytes())
    _, (outcome,) = library.scan()
    assert (outcome.event, outcome.detail) == (Event.COPY, "home: tide.iso")
    assert library.states() == {"home: copy.iso": "recorded", "home: tide.iso": "recorded"}


def test_a_copy_is_not_said_to_be_like_bytes_that_differ_now(library: Library) -> None:
    data = tide_image()
    write(library.root / "a.iso", data, DATE)
    library.scan()
    write(library.root / "a.iso", data[:-1] + b"\xff", DATE + TICK)
    library.scan()
    write(library.root / "b.iso", data, DATE)
    _, (outcome,) = library.scan()
    assert (outcome.event, outcome.detail) == (Event.COPY, "home: a.iso, as recorded")
    write(library.root / "c.iso", data, DATE)
    _, (outcome,) = library.scan()
    assert (outcome.event, outcome.detail) == (Event.COPY, "home: b.iso")


def test_a_copy_of_a_touched_image_is_no_move(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    first = library.catalogue.images()[0].id
    write(library.root / "copy.iso", path.read_bytes())
    os.utime(path, ns=(DATE + TICK, DATE + TICK))
    assert library.events() == {"copy.iso": "copy", "tide.iso": "confirmed"}
    rows = {row.path: row.id for row in library.catalogue.images()}
    assert rows["tide.iso"] == first


def test_a_name_taken_over_by_another_image(library: Library) -> None:
    """tide.iso is renamed, and a new image takes its name: the record follows the bytes."""
    path = write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    before = library.catalogue.images()[0].id
    path.rename(library.root / "tide-1.iso")
    write(path, tide_image(2, mebibytes=1), DATE + TICK)
    assert library.events() == {"tide-1.iso": "moved", "tide.iso": "new"}
    assert {row.path: row.id == before for row in library.catalogue.images()} == {
        "tide-1.iso": True,
        "tide.iso": False,
    }


def test_a_missing_image_is_missing_and_comes_back_unread(
    library: Library, reads: list[str]
) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    write(library.root / "other.iso", tide_image(5), DATE)
    library.scan()
    path.rename(library.root.parent / "elsewhere.iso")
    plan, _ = library.scan()
    assert plan.shelves[0].missing == ["tide.iso"]
    assert library.states()["home: tide.iso"] == "missing"
    assert library.scan()[0].shelves[0].missing_before == 1
    (library.root.parent / "elsewhere.iso").rename(path)
    reads.clear()
    plan, _ = library.scan()
    assert plan.shelves[0].returned == ["tide.iso"]
    assert library.states()["home: tide.iso"] == "recorded"
    assert reads == []


def test_an_empty_shelf_on_the_same_file_system_has_missing_images(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    path.unlink()
    library.scan()
    assert library.states() == {"home: tide.iso": "missing"}


def test_a_shelf_without_its_folder_is_away_and_so_are_its_images(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    library.root.rename(library.root.parent / "unplugged")
    plan, _ = library.scan()
    assert plan.shelves[0].away == not_found(library.root)
    assert library.states() == {"home: tide.iso": "away"}
    assert library.audit()["home: tide.iso"].verdict.state == "away"
    (library.root.parent / "unplugged").rename(library.root)
    library.scan()
    assert library.states() == {"home: tide.iso": "recorded"}


def test_images_that_are_away_are_copied_not_moved(library: Library) -> None:
    card = library.add_shelf("card")
    data = tide_image()
    write(card / "tide.iso", data, DATE)
    library.scan()
    card.rename(library.root.parent / "unplugged")
    write(library.root / "tide.iso", data, DATE)
    assert library.events() == {"tide.iso": "copy"}
    assert library.states() == {"card: tide.iso": "away", "home: tide.iso": "recorded"}
