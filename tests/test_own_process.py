"""Processes of this program: they run the same files as the one that starts them."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediashelf import own_process
from mediashelf.own_process import start_module


@pytest.mark.parametrize("others", ["", "elsewhere"])
def test_it_is_of_the_same_place_whatever_the_folder_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, others: str
) -> None:
    """A package of the same name in the current folder is not run."""
    (tmp_path / "mediashelf").mkdir()
    (tmp_path / "mediashelf" / "__init__.py").write_text("print('another one')")
    (tmp_path / "mediashelf" / "__main__.py").write_text("")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", others)
    process = start_module("mediashelf", "--version")
    answer, _ = process.communicate()
    assert process.returncode == 0
    assert answer.startswith(b"mediashelf, version ")
    assert b"another" not in answer


@pytest.mark.parametrize("program", ["", "no-python"])
def test_an_error_where_there_is_no_python_to_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    with monkeypatch.context() as without:
        without.setattr(own_process.sys, "executable", program and str(tmp_path / program))
        with pytest.raises(FileNotFoundError):
            start_module("mediashelf")
