"""Scanning: what is new, changed, moved, gone and away, and what is not read."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from made_library import DATE, TICK, Library, not_found, open_library, overwrite, tide_image, write
from make_image import make_iso, put
from mediashelf.catalogue.images import facts_of, findings_on_record, fixity_record
from mediashelf.catalogue.listing import list_entries
from mediashelf.catalogue.records.listed_entries import ListedEntries
from mediashelf.catalogue.rows import kept_number
from mediashelf.catalogue.scanning import planning, scan, walk
from mediashelf.catalogue.scanning.findings import scan_findings
from mediashelf.catalogue.scanning.reading import faults
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.catalogue.scanning.scan_plan import Event
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import CatalogueError
from mediashelf.findings import Severity
from mediashelf.formats.volume import DiscFacts
from mediashelf.image import open_image
from mediashelf.integrity.fixity.reading import digest_file

MIB = 1 << 20


def dump(library: Library) -> list[tuple[Any, ...]]:
    """Everything on record but ids and times."""
    return [
        (
            row.shelf,
            row.path,
            row.size,
            row.mtime_ns,
            row.state,
            row.digests,
            row.kinds,
            row.labels,
            row.entry_count,
        )
        for row in library.catalogue.images()
    ]


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files whose bytes are read, from now on."""
    names: list[str] = []

    def counting(path: Path, **options: Any) -> Any:
        names.append(path.name)
        return digest_file(path, **options)

    monkeypatch.setattr(reading, "digest_file", counting)
    return names


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


@pytest.mark.parametrize("name", ["a\nb.iso", "blanks  .iso", "Größe ü.iso", "-q.iso", "%s'\".iso"])
def test_odd_names_of_files(library: Library, name: str) -> None:
    write(library.root / name, tide_image(), DATE)
    assert library.events() == {name: "new"}
    assert library.events() == {}
    assert library.catalogue.images()[0].path == name
    assert library.catalogue.image_by_path(library.root / name) is not None


def test_a_name_that_is_no_utf8(library: Library) -> None:
    path = Path(os.fsdecode(os.fsencode(library.root) + b"/caf\xe9.iso"))
    write(path, tide_image(), DATE)
    assert library.events() == {"caf\udce9.iso": "new"}
    assert library.events() == {}
    row = library.catalogue.image_by_path(path)
    assert row is not None
    assert row.file.read_bytes() == tide_image()


def test_what_counts_as_an_image(library: Library) -> None:
    iso = tide_image()
    for name in ("a.iso", "B.ISO", "c.Img", "d.bin", "e.udf", "f.raw"):
        write(library.root / name, iso)
    write(library.root / "sound.bin", bytes(2352 * 4))
    write(library.root / "sound.CUE", b'FILE "sound.bin" BINARY\n')
    write(library.root / "empty.iso", b"")
    for name in ("firmware.bin", "floppy.img"):
        write(library.root / name, b"\xeb\x3c" + bytes(100_000))
    for name in (".hidden.iso", ".Trash-1000/old.iso", "lost+found/x.iso", "plain.txt", "iso"):
        write(library.root / name, iso)
    (library.root / "folder.iso").mkdir()
    os.mkfifo(library.root / "pipe.iso")
    assert set(library.events()) == {
        "a.iso",
        "B.ISO",
        "c.Img",
        "d.bin",
        "e.udf",
        "f.raw",
        "sound.bin",
        "sound.CUE",
        "empty.iso",
    }
    # An image of sound alone is no damaged image, as its sheet says what it is.
    assert library.states()["home: sound.bin"] == "recorded"
    assert library.states()["home: empty.iso"] == "damaged"


def test_an_image_stays_one_when_it_no_longer_looks_like_one(library: Library) -> None:
    path = write(library.root / "d.bin", tide_image(), DATE)
    library.scan()
    write(path, bytes(100_000), DATE + TICK)
    assert library.events() == {"d.bin": "changed"}
    assert library.states() == {"home: d.bin": "changed"}
    library.accept("d.bin")
    assert library.states() == {"home: d.bin": "damaged"}


def test_links_to_files_are_followed_and_links_to_folders_are_not(library: Library) -> None:
    outside = write(library.root.parent / "outside" / "tide.iso", tide_image(), DATE)
    (library.root / "link.iso").symlink_to(outside)
    (library.root / "dangling.iso").symlink_to(library.root / "nothing.iso")
    (library.root / "round").symlink_to(library.root, target_is_directory=True)
    (library.root / "self.iso").symlink_to(library.root / "self.iso")
    assert library.events() == {"link.iso": "new"}
    outside.unlink()
    library.scan()
    assert library.states() == {"home: link.iso": "missing"}


def test_one_bad_image_never_stops_a_scan(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a.iso", "broken.iso", "fault.iso", "z.iso"):
        write(library.root / name, tide_image(), DATE)

    def failing(path: Path, **options: Any) -> Any:
        if path.name == "broken.iso":
            raise reading.InputError(f"{path}: cannot be read at or after byte 7: bad disk")
        return digest_file(path, **options)

    def faulty(path: Path) -> Any:
        if path.name == "fault.iso":
            raise KeyError("a fault of ours")
        return open_image(path)

    monkeypatch.setattr(reading, "digest_file", failing)
    monkeypatch.setattr(faults, "open_as_image", faulty)
    plan, outcomes = library.scan()
    assert {each.job.seen.path: each.event.value for each in outcomes} == {
        "a.iso": "new",
        "broken.iso": "unreadable",
        "fault.iso": "copy",
        "z.iso": "copy",
    }
    (finding,) = scan_findings(plan, outcomes)
    assert finding.rule == "file-is-readable"
    assert finding.message == "cannot be read at or after byte 7: bad disk"
    assert library.states()["home: broken.iso"] == "unreadable"
    assert library.states()["home: fault.iso"] == "damaged"
    monkeypatch.setattr(reading, "digest_file", digest_file)
    assert library.events() == {"broken.iso": "copy"}
    assert library.states()["home: broken.iso"] == "recorded"


def test_a_recorded_image_that_turns_unreadable_keeps_its_digest(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    digests = library.catalogue.images()[0].digests
    os.utime(path, ns=(DATE + TICK, DATE + TICK))

    def failing(path: Path, **options: Any) -> Any:
        raise reading.InputError(f"{path}: cannot be read")

    monkeypatch.setattr(reading, "digest_file", failing)
    assert library.events() == {"tide.iso": "unreadable"}
    assert library.catalogue.images()[0].digests == digests
    monkeypatch.setattr(reading, "digest_file", digest_file)
    assert library.events() == {"tide.iso": "confirmed"}


@pytest.mark.parametrize(
    "change",
    [
        lambda path: path.write_bytes(path.read_bytes() + b"more"),
        lambda path: os.utime(path, ns=(DATE + TICK, DATE + TICK)),
        lambda path: os.truncate(path, 100),
    ],
)
def test_a_file_that_changes_while_it_is_read_is_noted_and_read_again(
    library: Library, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], None]
) -> None:
    write(library.root / "tide.iso", tide_image(), DATE)

    def meanwhile(path: Path, **options: Any) -> Any:
        digests = digest_file(path, **options)
        change(path)
        return digests

    monkeypatch.setattr(reading, "digest_file", meanwhile)
    plan, outcomes = library.scan()
    assert [each.event for each in outcomes] == [Event.CHANGING]
    assert [finding.rule for finding in scan_findings(plan, outcomes)] == ["file-at-rest"]
    assert library.states() == {"home: tide.iso": "changing"}
    assert library.catalogue.images()[0].digests == {}
    monkeypatch.setattr(reading, "digest_file", digest_file)
    assert library.events() == {"tide.iso": "new"}
    assert library.catalogue.images()[0].digests


def test_a_file_that_vanishes_before_it_is_read(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(library.root / "tide.iso", tide_image(), DATE)
    plan = planning.plan_scan(library.catalogue, library.catalogue.shelves())
    path.unlink()
    assert [each.event.value for each in scan.run_scan(library.catalogue, plan)] == ["vanished"]
    assert library.catalogue.images() == []


def test_a_sparse_image(library: Library) -> None:
    path = library.root / "sparse.iso"
    with path.open("wb") as file:
        file.write(tide_image())
        file.truncate(8 * MIB)
    library.scan()
    assert library.catalogue.images()[0].digests == digest_file(path).whole


def test_a_folder_that_cannot_be_listed_is_a_finding_and_its_records_stay(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(library.root / "locked" / "tide.iso", tide_image(), DATE)
    write(library.root / "open" / "ebb.iso", tide_image(2), DATE)
    library.scan()
    whole = walk.listed_folder

    def refusing(folder: str) -> Any:
        if folder.endswith("locked"):
            raise PermissionError(13, "Permission denied")
        return whole(folder)

    with monkeypatch.context() as patched:
        patched.setattr(walk, "listed_folder", refusing)
        plan, outcomes = library.scan()
    (finding,) = scan_findings(plan, outcomes)
    assert (finding.rule, finding.where) == ("folder-is-readable", "home: locked")
    # An audit calls its images unreadable, an error; so is this.
    assert finding.severity is Severity.ERROR
    assert "1 image on record there not found" in finding.message
    assert library.states() == {"home: locked/tide.iso": "away", "home: open/ebb.iso": "recorded"}


def test_links_that_no_walk_follows_are_named(library: Library, tmp_path: Path) -> None:
    """Own behaviour: what is not looked into must not look like what was."""
    write(tmp_path / "elsewhere" / "tide.iso", tide_image(), DATE)
    write(library.root / "ebb.iso", tide_image(2), DATE)
    for name, at in (("box", "elsewhere"), ("flow.iso", "elsewhere/gone.iso"), ("a.txt", "none")):
        (library.root / name).symlink_to(tmp_path / at)
    for _ in range(2):  # also when nothing else is new
        findings = scan_findings(*library.scan())
        assert [(each.rule, each.where, each.severity) for each in findings] == [
            ("link-not-followed", "home: box", Severity.NOTE),
            ("link-not-followed", "home: flow.iso", Severity.WARNING),
        ]
    assert library.states() == {"home: ebb.iso": "recorded"}
    (library.root / "neap.iso").symlink_to(tmp_path / "elsewhere" / "tide.iso")
    assert len(scan_findings(*library.scan())) == 2
    # What is in another folder of the shelf is looked for there.
    write(library.root / "real" / "spring.iso", tide_image(3), DATE)
    for name, at in (("inside", "real"), ("top", ".")):
        (library.root / name).symlink_to(library.root / at)
    assert len(scan_findings(*library.scan())) == 2


def test_stopping_keeps_what_is_done(library: Library) -> None:
    for number in range(12):
        write(library.root / f"{number:02}.iso", tide_image(number), DATE)
    plan = planning.plan_scan(library.catalogue, library.catalogue.shelves())
    running = scan.run_scan(library.catalogue, plan)
    yielded = [next(running).job.seen.path for _ in range(4)]
    running.close()
    kept = {row.path for row in library.catalogue.images()}  # others were read with these
    assert kept >= set(yielded)
    assert all(row.entry_count and row.digests for row in library.catalogue.images())
    assert library.events().keys() == {f"{number:02}.iso" for number in range(12)} - kept


def test_an_interrupted_scan_ends_soon(library: Library) -> None:
    """The threads stop at their next block, not at the end of their files."""
    for number in range(4):
        with write(library.root / f"{number}.iso", b"").open("r+b") as file:
            file.truncate(1 << 36)  # sparse; reading it all would take minutes
    plan = planning.plan_scan(library.catalogue, library.catalogue.shelves())
    seen = 0

    def interrupt(count: int) -> None:
        nonlocal seen
        seen += count
        if seen > 8 * MIB:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(scan.run_scan(library.catalogue, plan, on_bytes=interrupt))
    assert seen < 64 * MIB


def test_two_catalogue_runs_at_once_agree(tmp_path: Path) -> None:
    """Each image is recorded in its own transaction, so runs may take turns."""
    with open_library(tmp_path) as first, open_library(tmp_path) as second:
        for number in range(6):
            write(first.root / f"{number}.iso", tide_image(number), DATE)
        plans = [
            planning.plan_scan(library.catalogue, library.catalogue.shelves())
            for library in (first, second)
        ]
        runs = [
            scan.run_scan(library.catalogue, plan)
            for library, plan in zip((first, second), plans, strict=True)
        ]
        for _ in range(6):
            for run in runs:
                next(run)
        for run in runs:
            run.close()
        assert len(first.catalogue.images()) == 6
        assert dump(first) == dump(second)
        assert first.events() == {}


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


def test_a_full_disk_is_said_and_what_was_finished_stays(tmp_path: Path) -> None:
    if shutil.which("mount") is None:
        pytest.skip("no mount program")
    small = tmp_path / "small"
    small.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", small]
    if subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        home = tmp_path / "home"
        for number in range(480):
            write(home / f"{number:03}.iso", tide_image(number), DATE)
        place = small / "catalogue.sqlite"
        with (
            pytest.raises(CatalogueError, match="the disk is full"),
            open_catalogue(place, create=True) as catalogue,
        ):
            add_shelf(catalogue, home)
            Library(catalogue, home).scan()
        with open_catalogue(place) as catalogue:
            assert catalogue.db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            assert 0 < len(catalogue.images()) < 480
    finally:
        subprocess.run(["umount", small], check=True)


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
