"""The history of an image: every event once, in order, and written with the change itself."""

from __future__ import annotations

import sqlite3

import pytest

from made_library import DATE, TICK, Library, overwrite, tide_image, write
from mediashelf.catalogue.auditing import recording as audit_record
from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.catalogue.history import LONGEST_DETAIL, Happening, history_of, keep
from mediashelf.catalogue.scanning import events
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.shelves import drop_shelf


def told(library: Library, path: str = "tide.iso") -> list[tuple[str, str, str]]:
    """What happened to an image: event, command, detail."""
    (row,) = [row for row in library.catalogue.images() if row.path == path]
    rows = history_of(library.catalogue.db, row.id)
    return [(one.event.value, one.seen_by, one.detail) for one in rows]


def test_a_life_of_an_image(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(1, mebibytes=2), DATE)
    library.scan()
    assert told(library) == [("recorded", "scan", "")]
    library.scan()
    assert len(told(library)) == 1  # nothing was read, nothing happened
    library.audit()
    assert told(library)[1:] == [("confirmed", "audit", "")]
    library.audit(depth=Depth.CONTENTS)
    assert told(library)[2:] == [("confirmed", "audit", "files inside checked too")]
    overwrite(path, 1 << 20, b"rot")
    library.audit()
    (event, seen_by, detail) = told(library)[-1]
    assert (event, seen_by) == ("decayed", "audit")
    assert "1 of 3 blocks of 1 MiB differs" in detail
    write(path, tide_image(2), DATE + TICK)
    library.scan()
    assert told(library)[-1] == ("changed", "scan", "")
    library.accept("tide.iso")
    assert told(library)[-1] == ("accepted", "scan", "")
    path.unlink()
    library.scan()
    library.scan()
    library.audit()
    assert told(library)[-1] == ("missing", "scan", "")
    write(path, tide_image(2), DATE + TICK)
    library.audit()
    assert [event for event, _, _ in told(library)[-2:]] == ["returned", "confirmed"]
    path.unlink()
    library.audit()
    library.audit()
    assert told(library)[-1] == ("missing", "audit", "")
    write(path, tide_image(2), DATE + TICK)
    library.scan()
    assert told(library)[-1] == ("returned", "scan", "")
    write(path, tide_image(2), DATE + 2 * TICK)
    library.scan()
    assert told(library)[-1] == ("confirmed", "scan", "")


def test_copies_damage_and_moves_are_told(library: Library) -> None:
    write(library.root / "a.iso", tide_image(1), DATE)
    library.scan()
    write(library.root / "b.iso", tide_image(1), DATE)
    cut = write(library.root / "cut.iso", tide_image(3)[:-8192], DATE)
    library.scan()
    assert told(library, "b.iso") == [("recorded", "scan", "the same bytes as home: a.iso")]
    (event, _, detail) = told(library, "cut.iso")[0]
    assert event == "recorded"
    assert detail.endswith("inside")
    cut.rename(library.root / "sub.iso")
    library.scan()
    # It was missed for a moment by the same scan, which is no event.
    assert [(event, seen_by) for event, seen_by, _ in told(library, "sub.iso")] == [
        ("recorded", "scan"),
        ("moved", "scan"),
    ]
    assert told(library, "sub.iso")[-1][2].startswith("was home: cut.iso; ")


def test_an_image_that_was_missing_before_it_moved_stays_so_on_record(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    data = path.read_bytes()
    path.unlink()
    library.scan()
    library.catalogue.db.execute(
        "UPDATE history SET happened_at = '2001-01-01T00:00:00Z' WHERE event = 'missing'"
    )
    write(library.root / "elsewhere.iso", data, DATE)
    library.scan()
    assert sorted(event for event, _, _ in told(library, "elsewhere.iso")) == [
        "missing",
        "moved",
        "recorded",
    ]


def test_a_damaged_image_whose_bytes_are_as_recorded(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(1)[:-8192], DATE)
    library.scan()
    library.audit()
    events = told(library)
    assert [event for event, _, _ in events] == ["recorded", "confirmed", "truncated"]
    assert "bytes are past the end" in events[-1][2]


@pytest.mark.parametrize("command", ["scan", "audit"])
def test_an_event_and_its_change_are_written_together(
    library: Library, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    """Where the history cannot be written, nothing else is, and nothing is said to be done."""
    path = write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    before = library.states(), told(library)

    def full_disk(*arguments: object, **more: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(events, "keep", full_disk)
    monkeypatch.setattr(audit_record, "keep_verdict", full_disk)
    if command == "scan":
        write(path, tide_image(2), DATE + TICK)
    with pytest.raises(sqlite3.OperationalError):
        getattr(library, command)()
    assert (library.states(), told(library)) == before


def test_history_goes_with_its_shelf(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    library.audit()
    drop_shelf(library.catalogue, "home")
    assert library.catalogue.db.execute("SELECT count(*) FROM history").fetchone() == (0,)


def test_any_text_is_kept_and_a_long_one_is_cut(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    (row,) = library.catalogue.images()
    for detail in ("\udc80\x1b[2J\0", "x" * 100_000):
        with transaction(library.catalogue.db):
            keep(library.catalogue.db, row.id, Happening.MENDED, "mend", detail)
    assert told(library)[1][2] == "\udc80\x1b[2J\0"
    assert len(told(library)[2][2]) == LONGEST_DETAIL


def test_no_event_belongs_to_no_image(library: Library) -> None:
    with pytest.raises(sqlite3.IntegrityError):
        keep(library.catalogue.db, 99, Happening.CONFIRMED, "audit")


def test_a_catalogue_that_cannot_be_written_keeps_no_history(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    monkeypatch.setattr(library.catalogue, "can_write", False)
    library.audit()
    assert len(told(library)) == 1
