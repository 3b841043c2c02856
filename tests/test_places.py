"""Where data lives: as the XDG Base Directory Specification and the platforms' makers say."""

from __future__ import annotations

import os
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


@linux_only
def test_the_usual_folder_is_told_without_the_library_and_as_it_says() -> None:
    code = (
        "import sys; from mediashelf.places import data_folder; own = data_folder()\n"
        "print('platformdirs' in sys.modules)\n"
        "from platformdirs import user_data_path\n"
        "print(own == user_data_path('mediashelf', appauthor=False))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]


@linux_only
@pytest.mark.parametrize("home", ["", "kiosk"])
def test_a_home_folder_that_is_none_is_not_used(home: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", home)
    monkeypatch.delenv("XDG_DATA_HOME", raising=False)
    import pwd  # not in Windows

    assert data_folder() == Path(pwd.getpwuid(os.getuid()).pw_dir, ".local/share/mediashelf")
