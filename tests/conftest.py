"""Every test can import what is in ``makers/`` (discs and files) and ``helpers/``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE / name) for name in ("makers", "helpers")]


if sys.platform == "win32":
    import _winapi
    import ctypes

    # Wine 8 does not have this function; without it shutil copies in another way.
    if hasattr(ctypes.windll.ntdll, "wine_get_version") and hasattr(_winapi, "CopyFile2"):
        del _winapi.CopyFile2


@pytest.fixture(autouse=True)
def private_data_folder(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """Keep every test away from the data of the person who runs it."""
    folder = tmp_path_factory.mktemp("data")
    monkeypatch.setenv("XDG_DATA_HOME", str(folder))
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("LOCALAPPDATA", str(folder))
    monkeypatch.delenv("MEDIASHELF_CATALOGUE", raising=False)
    monkeypatch.delenv("MEDIASHELF_TARGETS", raising=False)
    return folder
