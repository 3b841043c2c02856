"""Outputs that appear whole: what reaches the disk, in which order, and what is said of failures.

Own behaviour throughout, except where a test names what it was seen on.
"""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from mediashelf.errors import OutputError
from mediashelf.files import is_partial, is_partial_of, rename_whole, whole_output, write_whole


@pytest.mark.skipif(os.name != "posix", reason="looks at descriptors")
def test_a_file_is_flushed_before_and_after_its_renaming_and_the_folder_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT needs the second flush: its new entry is empty until then (seen on Linux 6.1)."""
    events: list[str] = []
    replace, fsync = Path.replace, os.fsync

    def seen_replace(self: Path, target: Path) -> Path:
        events.append("rename")
        return replace(self, target)

    def seen_fsync(descriptor: int) -> None:
        place = Path(f"/proc/self/fd/{descriptor}").resolve()
        events.append("folder" if place == tmp_path.resolve() else place.name)
        fsync(descriptor)

    monkeypatch.setattr(Path, "replace", seen_replace)
    monkeypatch.setattr(os, "fsync", seen_fsync)
    if not Path("/proc/self/fd").is_dir():
        pytest.skip("needs /proc")
    (tmp_path / "old").write_bytes(b"data")
    rename_whole(tmp_path / "old", tmp_path / "new")
    assert events == ["old", "rename", "new", "folder"]
    events.clear()
    write_whole(tmp_path / "whole", b"data")
    partial, *rest = events
    assert is_partial_of(partial, "whole")
    assert rest == ["rename", "whole", "folder"]


def test_partial_names_belong_to_their_final_name() -> None:
    assert is_partial(".a.iso.12-34.mediashelf-partial")
    assert is_partial_of(".a.iso.12-34.mediashelf-partial", "a.iso")
    assert not is_partial_of(".a.iso.12-34.mediashelf-partial", "b.iso")
    assert not is_partial("a.iso.12-34.mediashelf-partial")
    assert not is_partial(".a.iso")


def test_what_is_given_is_a_partial_of_the_path(tmp_path: Path) -> None:
    with whole_output(tmp_path / ("x" * 200)) as temporary:
        assert is_partial_of(temporary.name, "x" * 200)
        temporary.write_bytes(b"1")
    assert [path.name for path in tmp_path.iterdir()] == ["x" * 200]


@pytest.mark.parametrize("older", [False, True])
def test_an_error_after_the_rename_says_that_the_file_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, older: bool
) -> None:
    target, fsync, calls = tmp_path / "disc.iso", os.fsync, []
    if older:
        target.write_bytes(b"older")

    def failing(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:  # the first flush comes before the rename
            raise OSError(errno.EIO, "Input/output error")
        fsync(descriptor)

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(OutputError) as caught:
        write_whole(target, b"newer")
    assert target.read_bytes() == b"newer"
    assert [path.name for path in tmp_path.iterdir()] == ["disc.iso"]
    message = str(caught.value)
    assert "cannot be written" not in message
    assert "is written and has its name" in message
    assert ("replaced an older file" in message) is older
    assert "Input/output error" in message


def test_an_error_before_the_rename_leaves_the_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    target = tmp_path / "disc.iso"
    target.write_bytes(b"older")
    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(OutputError, match="cannot be written: No space left on device"):
        write_whole(target, b"newer")
    assert target.read_bytes() == b"older"
    assert [path.name for path in tmp_path.iterdir()] == ["disc.iso"]


def test_an_existing_output_is_replaced_only_when_that_is_asked_for(tmp_path: Path) -> None:
    target = tmp_path / "disc.iso"
    write_whole(target, b"1", replace=False)
    with pytest.raises(OutputError, match="exists already"):
        write_whole(target, b"2", replace=False)
    assert target.read_bytes() == b"1"
    write_whole(target, b"3")
    assert target.read_bytes() == b"3"


def test_what_raises_in_the_block_leaves_nothing(tmp_path: Path) -> None:
    with (
        pytest.raises(ZeroDivisionError),
        whole_output(tmp_path / "disc.iso") as temporary,
    ):
        temporary.write_bytes(b"half")
        raise ZeroDivisionError
    assert list(tmp_path.iterdir()) == []


def test_leftovers_of_killed_runs_go_and_those_of_running_ones_stay(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], stdout=-1)
    ended = int(done.stdout)
    leftover = tmp_path / f".disc.iso.{ended}-ab.mediashelf-partial"
    alive = subprocess.Popen([sys.executable, "-c", "input()"], stdin=-1)
    running = tmp_path / f".disc.iso.{alive.pid}-ab.mediashelf-partial"
    others = tmp_path / f".other.iso.{ended}-ab.mediashelf-partial"
    endless = tmp_path / f".disc.iso.{'9' * 30}-ab.mediashelf-partial"
    unnumbered = tmp_path / ".disc.iso.x-ab.mediashelf-partial"
    for path in (leftover, running, others, endless, unnumbered):
        path.write_bytes(b"half")
    write_whole(tmp_path / "disc.iso", b"whole")
    alive.communicate(b"\n")
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {"disc.iso", running.name, others.name, endless.name}


def test_what_another_run_wrote_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "disc.iso"
    with (
        pytest.raises(OutputError, match="exists already"),
        whole_output(path, replace=False) as new,
    ):
        new.write_bytes(b"ours")
        path.write_bytes(b"theirs")
    assert path.read_bytes() == b"theirs"
    assert list(tmp_path.iterdir()) == [path]
