"""The second reader in a process of its own: believed only where it read what is on the disc."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf import own_process
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing import second_reader, witness_ahead, write
from mediashelf.building.writing.witness import hear_witness
from mediashelf.building.writing.write import build_disc, build_discs
from mediashelf.errors import BuildError

FILES = {
    "README.TXT": b"read me",
    "Larkspur video/Larkspur display driver.inf": b"[Version]" * 300,
    "Larkspur video/Zwölf/a/b/c/d/e/f/g/deep.txt": b"deep",
    "Larkspur video/copy of README.TXT": b"read me",
    "empty.txt": b"",
    "nothing here/": b"",
}
COMMAND = [sys.executable, "-P", "-m", second_reader.__name__]


@pytest.fixture
def plan(tmp_path: Path) -> DiscPlan:
    return plan_disc(recipe_from_folders([write_tree(tmp_path / "top", FILES)], label="Kiosk é"))


@pytest.fixture
def asked_here(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Every disc is large enough for a process; gives the discs that this one had to ask about."""
    asked: list[Path] = []

    def note(plan: DiscPlan, path: Path) -> None:
        asked.append(path)
        hear_witness(plan, path)

    monkeypatch.setattr(write, "hear_witness", note)
    monkeypatch.setattr(witness_ahead, "LEAST_FILES", 0)
    return asked


@pytest.fixture
def own_reader_is_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the second reader looks at what was written."""
    monkeypatch.setattr(write, "read_back_disc", lambda plan, path, **rest: None)


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Give the processes that were started."""
    processes: list[subprocess.Popen[bytes]] = []

    class Noted(subprocess.Popen[bytes]):
        def __init__(self, *arguments: object, **options: object) -> None:
            super().__init__(*arguments, **options)  # type: ignore[call-overload]
            processes.append(self)

    monkeypatch.setattr(subprocess, "Popen", Noted)
    yield processes
    assert [process.poll() for process in processes if process.poll() is None] == []


def test_its_word_is_enough(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    started: list[subprocess.Popen[bytes]],
) -> None:
    build_disc(plan, tmp_path / "disc.iso")
    assert len(started) == 1
    assert asked_here == []


def test_one_process_reads_all_discs_of_a_series(
    tmp_path: Path,
    asked_here: list[Path],
    started: list[subprocess.Popen[bytes]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(witness_ahead, "LEAST_FILES", 3 * len(FILES))
    plans = [
        plan_disc(recipe_from_folders([write_tree(tmp_path / f"Kiösk {name}", FILES)], label=name))
        for name in ("ONE", "TWO", "THREE")
    ]
    outputs = [tmp_path / f"{plan.label.long} é.iso" for plan in plans]
    build_discs(plans, outputs)
    assert len(started) == 1
    assert asked_here == []


@pytest.mark.usefixtures("own_reader_is_off")
def test_a_lie_on_a_later_disc_is_found_out(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    other = plan_disc(recipe_from_folders([tmp_path / "top"], label="Other"))
    real = write.DiscWriter.write

    def lie(self: write.DiscWriter, path: Path) -> None:
        directory = self._plan.layout.joliet[0]
        honest = directory.names[0]
        directory.names[0] = "?" + honest[1:] if self._plan is other else honest
        real(self, path)
        directory.names[0] = honest

    monkeypatch.setattr(write.DiscWriter, "write", lie)
    with pytest.raises(BuildError, match="of the Joliet tree is missing"):
        build_discs([plan, other], [tmp_path / "disc.iso", tmp_path / "other.iso"])
    assert len(asked_here) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["top"]


def test_a_small_disc_starts_no_process(
    plan: DiscPlan, tmp_path: Path, started: list[subprocess.Popen[bytes]]
) -> None:
    build_disc(plan, tmp_path / "disc.iso")
    assert started == []


def lie_with(
    change: Callable[[DiscPlan, bytearray], None], started: list[subprocess.Popen[bytes]]
) -> type[write.DiscWriter]:
    class LyingWriter(write.DiscWriter):
        def write(self, path: Path) -> None:
            super().write(path)
            assert started[-1].wait(60) == 0  # it has answered
            data = bytearray(path.read_bytes())
            before = bytes(data)
            change(self._plan, data)
            assert data != before
            path.write_bytes(data)

    return LyingWriter


def rename_a_file(plan: DiscPlan, data: bytearray) -> None:
    at = data.index(b"README.TXT;1", plan.layout.iso[0].lba * 2048)
    data[at] = ord("S")


def set_a_byte_that_it_does_not_read(plan: DiscPlan, data: bytearray) -> None:
    data[100] = 1  # of the system area


@pytest.mark.usefixtures("own_reader_is_off")
def test_a_lie_is_found_out(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    started: list[subprocess.Popen[bytes]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Told after the records were read, with our own reader put out of action."""
    with monkeypatch.context() as patched:
        patched.setattr(write, "DiscWriter", lie_with(rename_a_file, started))
        with pytest.raises(BuildError, match=r"/README\.TXT of the ISO tree is missing"):
            build_disc(plan, tmp_path / "disc.iso")
    assert len(asked_here) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["top"]
    build_disc(plan, tmp_path / "disc.iso")  # the control: an honest writer
    assert len(asked_here) == 1


def add_a_sector(plan: DiscPlan, data: bytearray) -> None:
    data += bytes(2048)


@pytest.mark.usefixtures("own_reader_is_off")
@pytest.mark.parametrize("change", [set_a_byte_that_it_does_not_read, add_a_sector])
def test_what_it_read_must_be_on_the_finished_disc_of_the_planned_size(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    started: list[subprocess.Popen[bytes]],
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[DiscPlan, bytearray], None],
) -> None:
    monkeypatch.setattr(write, "DiscWriter", lie_with(change, started))
    build_disc(plan, tmp_path / "disc.iso")  # our own reader would refuse a sector more
    assert len(asked_here) == 1  # again, of the finished disc


@pytest.mark.usefixtures("own_reader_is_off")
def test_what_it_found_must_be_what_was_planned(
    plan: DiscPlan, tmp_path: Path, asked_here: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Records that lie from the start: only the comparison of what was found tells."""
    real = write.DiscWriter.write

    def lie(self: write.DiscWriter, path: Path) -> None:
        directory = self._plan.layout.joliet[0]
        honest = directory.names[0]
        directory.names[0] = "?" + honest[1:]
        real(self, path)
        directory.names[0] = honest

    monkeypatch.setattr(write.DiscWriter, "write", lie)
    with pytest.raises(BuildError, match="of the Joliet tree is missing"):
        build_disc(plan, tmp_path / "disc.iso")
    assert len(asked_here) == 1


@pytest.mark.parametrize(
    "program",
    [
        "mediashelf.no_such_module",  # ends at once
        "this",  # says something else
    ],
)
def test_without_its_answer_it_is_asked_here(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    monkeypatch: pytest.MonkeyPatch,
    program: str,
) -> None:
    monkeypatch.setattr(second_reader, "__name__", program)
    build_disc(plan, tmp_path / "disc.iso")
    assert len(asked_here) == 1


def test_where_no_process_can_be_started_it_is_asked_here(
    plan: DiscPlan, tmp_path: Path, asked_here: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(own_process.sys, "executable", str(tmp_path / "no-python"))
    build_disc(plan, tmp_path / "disc.iso")
    assert len(asked_here) == 1


def test_a_process_that_is_killed_is_asked_for_here(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    started: list[subprocess.Popen[bytes]],
) -> None:
    def kill(_: int) -> None:
        started[0].kill()
        started[0].wait()

    build_disc(plan, tmp_path / "disc.iso", on_bytes=kill)
    assert len(asked_here) <= 1  # it may have answered before
    assert (tmp_path / "disc.iso").stat().st_size == plan.size


@pytest.mark.parametrize("error", [KeyboardInterrupt, BuildError])
def test_it_ends_with_a_build_that_ends(
    plan: DiscPlan,
    tmp_path: Path,
    asked_here: list[Path],
    started: list[subprocess.Popen[bytes]],
    error: type[BaseException],
) -> None:
    def stop(_: int) -> None:
        raise error("stopped")

    with pytest.raises(error):
        build_disc(plan, tmp_path / "disc.iso", on_bytes=stop)
    assert len(started) == 1
    assert started[0].poll() is not None
    assert [path.name for path in tmp_path.iterdir()] == ["top"]


def test_it_ends_when_it_is_not_asked() -> None:
    run = subprocess.run([*COMMAND, "1"], input=b"", capture_output=True, timeout=60)
    assert run.stdout == b""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no FIFOs among its files")
def test_it_ends_with_whoever_asked_even_while_it_reads(tmp_path: Path) -> None:
    """A disc that never comes: a FIFO that nobody writes to."""
    os.mkfifo(tmp_path / "disc.iso")
    place = os.fsencode(tmp_path / "disc.iso").hex()
    with subprocess.Popen(
        [*COMMAND, "1"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        process.stdin.write(f"614400 100000 {place}\n".encode())
        process.stdin.close()  # as when the process that asked was killed
        assert process.wait(60) == 1
