"""Small images that other processes read: the same record, whatever becomes of the processes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from made_library import Library, open_library
from make_image import make_iso
from mediashelf import own_process
from mediashelf.catalogue.rows import ShelfRow
from mediashelf.catalogue.scanning.scan_plan import Job
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import SeenImage
from mediashelf.helping import processes
from mediashelf.jobs.library.scanning import Scan, plan_shelves, read_planned
from mediashelf.jobs.shelves import reading_processes
from mediashelf.jobs.shelves.reading_processes import ReadingProcesses, is_small

TABLES = (
    *("volumes", "entries", "names", "folders", "findings", "disc_facts", "block_digests"),
    *("target_verdicts", "disc_summaries", "packages", "bytes_inside"),
)


@pytest.fixture(autouse=True)
def few_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading_processes, "ENOUGH", 1)
    monkeypatch.setattr(processes, "processors", lambda: 2)


def fill(shelf: Path) -> None:
    for number in range(6):
        files = {"LKVX.INF": b"[Version]\r\nSignature=$CHICAGO$\r\n", f"D/T{number}.SYS": b"tide"}
        (shelf / f"tide {number}.iso").write_bytes(make_iso(files, joliet=3).data)
    (shelf / "cut.iso").write_bytes(make_iso({"A.TXT": b"x" * 9000}).data[:50_000])
    (shelf / "nothing.iso").write_bytes(b"no disc" * 999)
    (shelf / "raw.bin").write_bytes(make_iso({"A.TXT": b"raw or not"}).data)


def scanned(library: Library) -> Scan:
    scan = plan_shelves(library.catalogue, [])
    read_planned(library.catalogue, scan)
    return scan


def on_record(library: Library) -> dict[str, Any]:
    rows = {row.path: (row.size, row.state, row.digests) for row in library.catalogue.images()}
    tables = {
        one: library.catalogue.db.execute(f"SELECT * FROM {one}").fetchall() for one in TABLES
    }
    return {"images": rows, **{name: sorted(rows, key=repr) for name, rows in tables.items()}}


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    folder = tmp_path / "library"
    folder.mkdir()
    with open_library(folder) as opened:
        fill(opened.root)
        yield opened


@pytest.fixture
def alone(tmp_path: Path) -> dict[str, Any]:
    """What is on record of the same images when one process reads all."""
    folder = tmp_path / "alone"
    folder.mkdir()
    with pytest.MonkeyPatch.context() as one, open_library(folder) as library:
        one.setattr(reading_processes, "ENOUGH", 1000)
        fill(library.root)
        scanned(library)
        return on_record(library)


def test_the_record_is_that_of_one_process(library: Library, alone: dict[str, Any]) -> None:
    here: list[str] = []
    with pytest.MonkeyPatch.context() as watched:
        from mediashelf.catalogue.scanning import scan as scanning

        read = scanning.read_image

        def watch(path: Path, **options: Any) -> Reading:
            here.append(path.name)
            return read(path, **options)

        watched.setattr(scanning, "read_image", watch)
        scan = scanned(library)
    assert [each.event.value for each in scan.outcomes] == ["new"] * 9
    assert here == ["raw.bin"]  # it may share its sectors with a sheet
    assert on_record(library) == alone


def test_what_a_process_that_dies_has_not_read_is_read_here(
    library: Library, alone: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[ReadingProcesses] = []
    submit = ReadingProcesses.submit

    def submit_and_kill(self: ReadingProcesses, *arguments: Any) -> Any:
        kept.append(self)
        future = submit(self, *arguments)
        for child in self._children:
            child._process.kill()
        return future

    monkeypatch.setattr(ReadingProcesses, "submit", submit_and_kill)
    scan = scanned(library)
    assert [each.event.value for each in scan.outcomes] == ["new"] * 9
    assert on_record(library) == alone
    assert all(not child.is_alive for child in kept[0]._children)


@pytest.mark.parametrize("program", ["no-python", ""])
def test_where_no_process_can_be_started_all_is_read_here(
    library: Library, alone: dict[str, Any], monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    with monkeypatch.context() as without:
        without.setattr(own_process.sys, "executable", program)
        scan = scanned(library)
    assert [each.event.value for each in scan.outcomes] == ["new"] * 9
    assert on_record(library) == alone


def test_no_process_is_left_when_a_scan_is_stopped(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept: list[ReadingProcesses] = []
    enter = ReadingProcesses.__enter__

    def enter_and_keep(self: ReadingProcesses) -> ReadingProcesses:
        kept.append(self)
        return enter(self)

    class Stopping:
        def __enter__(self) -> Stopping:
            return self

        def __exit__(self, *raised: object) -> None: ...

        def __call__(self, count: int) -> None:
            raise KeyboardInterrupt

        def show(self, name: str) -> None: ...

    monkeypatch.setattr(ReadingProcesses, "__enter__", enter_and_keep)
    scan = plan_shelves(library.catalogue, [])
    with pytest.raises(KeyboardInterrupt):
        read_planned(library.catalogue, scan, lambda *words, **options: Stopping())  # type: ignore[arg-type,return-value]
    assert kept[0]._children
    for child in kept[0]._children:
        assert child._process.poll() is not None
        assert not child._thread.is_alive()


def test_few_images_are_read_here(library: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    jobs = plan_shelves(library.catalogue, []).plan.jobs
    monkeypatch.setattr(reading_processes, "ENOUGH", 5)  # raw.bin is none of them
    assert not ReadingProcesses(jobs, with_packages=True)
    monkeypatch.setattr(reading_processes, "ENOUGH", 4)
    with ReadingProcesses(jobs, with_packages=True) as reading:
        assert reading


@pytest.mark.parametrize(
    ("name", "size", "expected"),
    [
        ("a.iso", 71_680, True),
        ("a.IMA", 1_474_560, True),
        ("a.zip", 90_000, True),
        ("large.iso", 650 << 20, False),
        ("track.BIN", 71_680, False),
        ("sheet.cue", 90, False),
    ],
)
def test_what_is_read_elsewhere(tmp_path: Path, name: str, size: int, expected: bool) -> None:
    shelf = ShelfRow(1, "home", tmp_path, "", None)
    job = Job(shelf, SeenImage(name, size, 0, "device 1", name.endswith(".cue")), None)
    assert is_small(job) is expected
