"""What is asked of each operating system, with the answers of the others forced (own behaviour)."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from mediashelf import system


def test_a_process_is_alive_until_it_ends() -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as running:
        assert system.is_process_alive(running.pid)
        running.communicate(b"\n")
    assert not system.is_process_alive(running.pid)
    assert system.is_process_alive(os.getpid())
    assert system.is_process_alive(10**30)  # no number of a process: nothing is known


def test_windows_is_never_asked_by_a_signal(monkeypatch: pytest.MonkeyPatch) -> None:
    """There signal 0 is CTRL_C_EVENT (Python's documentation of os.kill)."""
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(system, "_is_process_alive_in_windows", lambda number: number == 4)
    monkeypatch.setattr(os, "kill", None)
    assert system.is_process_alive(4)
    assert not system.is_process_alive(5)


@pytest.mark.parametrize("has_it", [True, False])
def test_macos_flushes_the_drive_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, has_it: bool
) -> None:
    """fcntl(2) of macOS: F_FULLFSYNC also asks the drive; network shares may lack it."""
    asked: list[str] = []

    def control(descriptor: int, command: int) -> None:
        asked.append(f"fcntl {command}")
        if not has_it:
            raise OSError(errno.ENOTSUP, "Operation not supported")

    monkeypatch.setattr(sys, "platform", "darwin")
    fake = SimpleNamespace(fcntl=control, F_FULLFSYNC=51)
    monkeypatch.setitem(sys.modules, "fcntl", fake)
    monkeypatch.setattr(os, "fsync", lambda descriptor: asked.append("fsync"))
    with (tmp_path / "x").open("wb") as file:
        system.flush_descriptor(file.fileno())
    assert asked == ["fcntl 51"] if has_it else ["fcntl 51", "fsync"]


@pytest.mark.skipif(os.name != "nt", reason="the named mutexes of Windows")
def test_a_name_is_held_by_one_run_until_it_ends() -> None:
    code = (
        "from mediashelf.system import hold_in_windows as hold\n"
        "with hold('E:\\\\Card') as ours: print(ours, flush=True); input()"
    )
    command = [sys.executable, "-c", code]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "True\n"
        with system.hold_in_windows("e:\\card") as ours, system.hold_in_windows("e:\\b") as other:
            assert (ours, other) == (False, True)
        running.kill()
    with system.hold_in_windows("E:\\Card") as ours:
        assert ours
