"""Shared helpers beside this file can be imported by every test."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


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
