"""How a card is taken out: what is said on each system, and when nothing is (own words)."""

from __future__ import annotations

import os
import sys
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest

from mediashelf.cli.bench.eject_text import eject_text


class Placed:
    """A folder of any system, which is at its real place."""

    def __init__(self, path: PurePosixPath | PureWindowsPath) -> None:
        self.path = path

    def resolve(self) -> PurePosixPath | PureWindowsPath:
        return self.path


@pytest.mark.parametrize(
    ("platform", "folder", "said"),
    [
        ("win32", PureWindowsPath("E:\\kiosk"), "Explorer, right-click on E:, Eject."),
        ("win32", PureWindowsPath("C:\\Users\\anna\\card"), ""),
        ("win32", PureWindowsPath("\\\\server\\share\\card"), ""),
        ("darwin", Path("/Volumes/MY CARD/kiosk"), "diskutil eject '/Volumes/MY CARD'"),
        ("darwin", Path("/Users/anna/card"), ""),
        ("linux", Path("/media/anna/MY CARD/kiosk"), "umount '/media/anna/MY CARD'"),
        ("linux", Path("/home/anna/card"), ""),
    ],
)
def test_the_system_says_it_in_its_own_words(
    monkeypatch: pytest.MonkeyPatch, platform: str, folder: Path, said: str
) -> None:
    if os.name == "nt" and platform != "win32":
        pytest.skip("Windows reads paths of Unix as its own")
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.delenv("SYSTEMDRIVE", raising=False)
    mounts = {Path("/"), Path("/home"), Path("/media/anna/MY CARD")}
    monkeypatch.setattr(os.path, "ismount", lambda path: Path(path) in mounts)
    told = eject_text(Placed(folder))  # type: ignore[arg-type]
    assert told == (f"Before you pull it: {said}" if said else "")
