"""Where data lives: as the XDG Base Directory Specification and the platforms' makers say."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from mediashelf.places import data_folder

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="other platforms have one place")


@linux_only
@pytest.mark.parametrize(
    ("value", "folder"),
    [
        ("/srv/data", "/srv/data/mediashelf"),
        ("", "/home/kiosk/.local/share/mediashelf"),
        # XDG Base Directory Specification: a relative path is invalid and is ignored.
        ("data", "/home/kiosk/.local/share/mediashelf"),
    ],
)
def test_the_data_folder(value: str, folder: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/kiosk")
    monkeypatch.setenv("XDG_DATA_HOME", value)
    assert data_folder() == Path(folder)


@linux_only
def test_an_existing_folder_of_macos_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Own behaviour: a catalogue does not vanish because XDG_DATA_HOME was set later."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))
    monkeypatch.setattr("mediashelf.places.sys.platform", "darwin")
    assert data_folder() == tmp_path / "xdg" / "mediashelf"
    usual = tmp_path / "Library" / "Application Support" / "mediashelf"
    usual.mkdir(parents=True)
    assert data_folder() == usual


def test_the_library_is_loaded_only_when_a_folder_is_asked_for() -> None:
    code = "import sys, mediashelf.cli.main; sys.exit('platformdirs' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
