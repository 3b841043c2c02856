"""What a command loads before it does anything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from mediashelf.cli.main import main


def python(*arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, encoding="utf-8", check=True
    )
    return done.stdout


def test_the_version_is_told_in_one_way() -> None:
    """Without the command group and with it."""
    told = python("-m", "mediashelf", "--version")
    assert told == CliRunner().invoke(main, ["--version"]).stdout
    assert told.startswith("mediashelf, version ")


@pytest.mark.parametrize(
    ("arguments", "spared"),
    [
        (["--help"], ["sqlite3", "difflib", "mediashelf.findings", "mediashelf.formats"]),
        (["list"], ["xxhash", "difflib", "mediashelf.readability", "mediashelf.image", "tqdm"]),
    ],
)
def test_what_starts_often_loads_little(
    arguments: list[str], spared: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = (
        "import sys\n"
        "from mediashelf.cli.main import main\n"
        f"main({arguments!r}, standalone_mode=False)\n"
        f"print('loaded:', [name for name in {spared!r} if name in sys.modules])\n"
    )
    monkeypatch.setenv("MEDIASHELF_CATALOGUE", str(tmp_path / "catalogue.sqlite"))
    assert python("-c", code).splitlines()[-1] == "loaded: []"
