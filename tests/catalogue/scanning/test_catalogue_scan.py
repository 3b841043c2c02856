"""Scanning shelves: what is recorded of an image, and which of them are read again."""

from __future__ import annotations

import os
from datetime import UTC, datetime

import pytest

from made_library import DATE, TICK, Library, overwrite, tide_image, write
from make_image import make_iso, put
from mediashelf.catalogue.images import facts_of, findings_on_record, fixity_record
from mediashelf.catalogue.listing import list_entries
from mediashelf.catalogue.records.listed_entries import ListedEntries
from mediashelf.catalogue.rows import kept_number
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image
from mediashelf.integrity.fixity.reading import digest_file


def test_a_new_image_is_recorded_whole(library: Library) -> None:
    path = write(library.root / "sub" / "tide.iso", tide_image(mebibytes=2), DATE)
    assert library.events() == {"sub/tide.iso": "new"}
    (row,) = library.catalogue.images()
    digests = digest_file(path)
    assert row.file == path
    assert (row.size, row.mtime_ns) == (path.stat().st_size, DATE)
    assert row.digests == digests.whole
    assert row.state == "recorded"
    assert row.label == "TIDE"
    assert row.kinds == ("iso9660", "joliet")
    record = fixity_record(library.catalogue.db, row)
    assert record is not None
    assert record.blocks == digests.blocks
    with open_image(path) as image:
        assert facts_of(library.catalogue.db, row.id) == image.facts


def test_unchanged_images_are_not_read(library: Library, reads: list[str]) -> None:
    write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    assert reads == ["tide.iso"]
    plan, outcomes = library.scan()
    assert plan.shelves[0].unchanged == 1
    assert plan.bytes_to_read == 0
    assert outcomes == []
    assert reads == ["tide.iso"]


def test_an_accepted_image_is_recorded_anew_and_its_old_digest_kept(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    old = library.catalogue.images()[0]
    write(path, tide_image(2, label="EBB"), DATE + TICK)
    assert library.events() == {"tide.iso": "changed"}
    assert library.catalogue.images()[0].digests == old.digests
    assert library.accept("tide.iso") == {"tide.iso": "accepted"}
    (row,) = library.catalogue.images()
    assert row.id == old.id
    assert row.digests != old.digests
    assert row.label == "EBB"
    kept = library.catalogue.db.execute(
        "SELECT digest, replaced_at IS NOT NULL FROM fixity ORDER BY id"
    ).fetchall()
    assert kept == [(old.digests["xxh3_128"], 1), (row.digests["xxh3_128"], 0)]
    assert library.catalogue.images_by_digest(old.digests["xxh3_128"]) == []


def test_a_new_date_alone_confirms_the_record(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    os.utime(path, ns=(DATE + 9 * TICK, DATE + 9 * TICK))
    assert library.events() == {"tide.iso": "confirmed"}
    assert library.catalogue.images()[0].mtime_ns == DATE + 9 * TICK
    assert library.events() == {}


def test_decay_is_not_washed_away_by_a_scan(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    overwrite(path, 40_000, b"\xff")
    library.audit()
    assert library.states() == {"home: tide.iso": "decayed"}
    assert library.events() == {}
    assert library.states() == {"home: tide.iso": "decayed"}


@pytest.mark.parametrize("year", [1900, 1969, 2300, 9999])
def test_any_date_of_a_file_is_kept_or_kept_nearly(library: Library, year: int) -> None:
    seconds = int(datetime(year, 6, 1, tzinfo=UTC).timestamp())
    path = write(library.root / "tide.iso", tide_image(), seconds * 10**9)
    assert library.events() == {"tide.iso": "new"}
    assert library.events() == {}
    assert library.audit()["home: tide.iso"].verdict.state == "sound"
    overwrite(path, 40_000, b"\xff")
    assert library.audit()["home: tide.iso"].verdict.state == "decayed"


def test_no_number_leaves_what_sqlite_holds() -> None:
    assert [kept_number(number) for number in (2**64, 2**63, -(2**63) - 1, -5, 0)] == [
        2**63 - 1,
        2**63 - 1,
        -(2**63),
        -5,
        0,
    ]


def test_a_size_on_a_disc_beyond_what_sqlite_holds(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    def huge(facts: DiscFacts) -> ListedEntries:
        return ListedEntries.of(each._replace(size=2**64 - 1) for each in list_entries(facts))

    monkeypatch.setattr(reading, "list_entries", huge)
    write(library.root / "tide.iso", tide_image(), DATE)
    assert library.events() == {"tide.iso": "new"}
    assert library.catalogue.find("lkvx3").hits[0].size == 2**63 - 1


def test_names_that_no_entry_uses_any_more_are_forgotten(library: Library) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    assert library.catalogue.find("lkvx3").hits
    write(path, make_iso({"ONLY.TXT": b"x"}).data, DATE + TICK)
    library.accept("tide.iso")
    assert library.catalogue.find("lkvx3").hits == []
    names = library.catalogue.db.execute("SELECT name FROM names").fetchall()
    assert names == [(b"ONLY.TXT",)]
    library.catalogue.db.execute("INSERT INTO name_index (name_index) VALUES ('integrity-check')")


def test_outcomes_do_not_hold_the_entries_of_hundreds_of_images(library: Library) -> None:
    write(library.root / "tide.iso", tide_image(), DATE)
    _, (outcome,) = library.scan()
    assert library.catalogue.images()[0].entry_count > 0
    assert (len(outcome.reading.listing), outcome.reading.packed_facts) == (0, b"")


def test_parts_that_contradict_each_other_are_on_record(library: Library) -> None:
    made = make_iso({"A.TXT": b"a" * 5000, "B.TXT": b"b" * 3000}, joliet=True)
    inside = (made.file("/A.TXT") // 2048 + 1).to_bytes(4, "little")
    moved = put(made.data, made.record("/B.TXT") + 2, inside + inside[::-1])
    write(library.root / "control.iso", made.data, DATE)
    write(library.root / "moved.iso", moved, DATE)
    library.scan()
    rules = {
        row.path: sorted({each.rule for each in findings_on_record(library.catalogue.db, row.id)})
        for row in library.catalogue.images()
    }
    assert rules == {"control.iso": [], "moved.iso": ["extents-apart", "trees-agree"]}
