"""Terminals and pipes of old code pages: everything is said, nothing fails (own behaviour)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from make_image import make_iso
from mediashelf.cli.console import columns_of


def run(encoding: str, *arguments: object) -> subprocess.CompletedProcess[bytes]:
    environment = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "mediashelf", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, env=environment, check=False)


# The last is what CPython 3.13 for Windows itself sets for a pipe or a file (observed).
@pytest.mark.parametrize("encoding", ["cp437", "cp850", "cp1252", "cp1252:surrogateescape"])
def test_a_name_that_the_code_page_lacks_is_escaped(encoding: str, tmp_path: Path) -> None:
    made = make_iso({"D.INF": b""}, joliet=True, long_names={"D.INF": "ドライバー.inf"})
    image = made.save(tmp_path / "disc.iso")
    shown = run(encoding, "show", image, "--tree")
    assert shown.returncode == 0, shown.stderr
    assert rb"\u30c9\u30e9\u30a4\u30d0\u30fc.inf" in shown.stdout
    assert not shown.stderr


@pytest.mark.parametrize("encoding", ["cp437", "cp1252"])
def test_our_own_marks_become_plain_ones(encoding: str, tmp_path: Path) -> None:
    told = run(encoding, "check", tmp_path / "tide … list.iso")
    assert told.returncode == 3
    assert b"Traceback" not in told.stderr
    assert b"tide" in told.stderr


def test_help_on_an_ascii_terminal() -> None:
    assert run("ascii", "--help").returncode == 0
    assert run("ascii", "build", "--help").returncode == 0


@pytest.mark.parametrize("encoding", ["cp437", "cp850", "cp1252"])
def test_what_is_spelled_out_fits_the_terminal_too(
    encoding: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    folder = tmp_path / "disc"
    folder.mkdir()
    (folder / "港の潮汐表 Größe.txt").write_bytes(b"x")
    done = run(encoding, "check", folder, "-t", "win9x")
    lines = done.stdout.decode(encoding).splitlines()
    assert any("\\u6e2f" in line for line in lines)
    assert max(map(len, lines[1:])) <= 60  # the first is the path of the test


@pytest.mark.parametrize(
    ("told", "columns"),
    [
        ("132", 132),
        (" 132 ", 132),
        ("0", 80),
        ("-5", 80),
        ("wide", 80),
        ("", 80),
        ("²", 80),
        ("9" * 5000, 80),
    ],
)
def test_what_columns_says_is_believed_where_it_is_a_number(
    monkeypatch: pytest.MonkeyPatch, told: str, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", told)
    assert columns_of(None) == columns
    with Path(os.devnull).open("w") as stream:
        assert columns_of(stream) == columns
