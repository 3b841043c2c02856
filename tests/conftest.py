"""Every test can import what is in ``makers/`` (discs and files) and ``helpers/``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE / name) for name in ("makers", "helpers")]


@pytest.fixture(autouse=True)
def private_data_folder(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> Path:
    """Keep every test away from the data of the person who runs it."""
    folder = tmp_path_factory.mktemp("data")
    monkeypatch.setenv("XDG_DATA_HOME", str(folder))
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.delenv("MEDIASHELF_CATALOGUE", raising=False)
    monkeypatch.delenv("MEDIASHELF_TARGETS", raising=False)
    return folder
