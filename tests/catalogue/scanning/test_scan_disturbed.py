"""Scans that are disturbed: bad images, files that change, an interrupt, a full disk, two runs."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from made_library import DATE, TICK, Library, open_library, tide_image, write
from mediashelf.catalogue.scanning import planning, scan
from mediashelf.catalogue.scanning.findings import scan_findings
from mediashelf.catalogue.scanning.reading import faults
from mediashelf.catalogue.scanning.reading import image as reading
from mediashelf.catalogue.scanning.scan_plan import Event
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import CatalogueError
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
