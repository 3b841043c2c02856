"""Where data lives: as the XDG Base Directory Specification and the platforms' makers say."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from platformdirs import user_data_path

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
@pytest.mark.parametrize("home", ["/home/kiosk", "kiosk", "", None])
@pytest.mark.parametrize("told", ["/srv/data", "/srv//data/", " ", "data", None])
def test_the_environment_is_read_as_the_library_reads_it(
    home: str | None, told: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in (("HOME", home), ("XDG_DATA_HOME", told)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert data_folder() == user_data_path("mediashelf", appauthor=False)


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


@pytest.mark.parametrize(
    "asked",
    [
        "",
        pytest.param("; import mediashelf.places as p; p.data_folder()", marks=linux_only),
    ],
)
def test_the_library_is_loaded_only_when_more_is_to_be_told(asked: str) -> None:
    code = f"import sys, mediashelf.cli.main{asked}; sys.exit('platformdirs' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
