"""Sources that misbehave while a disc is built: each ends the build, none ends in a wrong disc."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from built_tree import MIB, left_in, planned, vanish
from mediashelf.building.sources import reading
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BuildError


def grow(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(b"more")


def shrink(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def change(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:-1] + b"!")


def become_a_fifo(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def become_a_link(path: Path) -> None:
    moved = path.with_name("moved")
    path.rename(moved)
    path.symlink_to(moved)


KINDS_OF_SOURCE = [
    "drivers/LARGE.BIN",  # read when the disc is built
    "SETUP.EXE",  # read when it was planned, too: it has an equal one
    "drivers/copy of setup.exe",  # that one
    "empty.txt",  # never read
]


@pytest.mark.parametrize(
    ("misbehave", "name"),
    [
        (misbehave, name)
        for misbehave in (grow, shrink, change, vanish, become_a_fifo, become_a_link)
        for name in KINDS_OF_SOURCE
        if not (misbehave is shrink and name == "empty.txt")  # it cannot
    ],
)
def test_a_source_that_changed_since_the_plan_ends_the_build(
    top: Path, tmp_path: Path, misbehave: Callable[[Path], None], name: str
) -> None:
    plan = planned(top)
    time.sleep(0.01)  # so that the time of the change is another one on every file system
    misbehave(top / name)
    with pytest.raises(BuildError, match=r"build again|cannot be read|not a regular file"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]


@pytest.mark.parametrize(
    "misbehave",
    [
        grow,
        shrink,
        change,
        pytest.param(
            vanish,
            marks=pytest.mark.skipif(
                os.name == "nt", reason="Windows does not remove a file that a program reads"
            ),
        ),
    ],
)
def test_a_source_that_changes_while_it_is_read_ends_the_build(
    top: Path, tmp_path: Path, misbehave: Callable[[Path], None]
) -> None:
    plan = planned(top)
    victim = top / "drivers/LARGE.BIN"
    seen = 0

    def on_bytes(count: int) -> None:
        nonlocal seen
        if count == MIB and not seen:  # the first of three pieces has been read
            seen = count
            time.sleep(0.01)
            misbehave(victim)

    with pytest.raises(BuildError, match=r"LARGE\.BIN: (shrank|grew|changed|vanished)"):
        build_disc(plan, tmp_path / "disc.iso", on_bytes=on_bytes)
    assert left_in(tmp_path) == ["top"]


def test_a_source_on_a_failing_medium_ends_the_build(
    top: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = planned(top)

    class Failing(reading.FileIO):
        def read(self, size: int = -1) -> bytes:
            data = super().read(size)
            if self.tell() > MIB:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return data

    monkeypatch.setattr(reading, "FileIO", Failing)
    with pytest.raises(BuildError, match=r"LARGE\.BIN: cannot be read: Input/output error"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]


def test_bytes_that_differ_under_the_same_size_and_time_end_the_build(
    top: Path, tmp_path: Path
) -> None:
    """Only for files that were digested before: those that have an equal one."""
    plan = planned(top)
    victim = next(c for c in plan.layout.contents if c.digest)
    path = Path(victim.path)
    before = path.stat()
    change(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    with pytest.raises(BuildError, match="other bytes were read"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]


def test_only_one_source_is_open_at_a_time(top: Path, tmp_path: Path) -> None:
    open_files = Path("/proc/self/fd")
    if os.name == "nt":
        pytest.skip("Windows does not list the files that a process has open by descriptor")
    if not open_files.exists():
        pytest.skip("/proc/self/fd tells which files are open; it is not here")
    most = 0

    def count_open(_: int) -> None:
        nonlocal most
        most = max(most, sum(str(top) in os.path.realpath(fd) for fd in open_files.iterdir()))

    build_disc(planned(top), tmp_path / "disc.iso", on_bytes=count_open)
    assert most == 1
