"""What a command loads before it does anything."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from make_image import make_iso
from mediashelf.cli.main import main


def python(*arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, encoding="utf-8", check=True
    )
    return done.stdout


def loaded(names: list[str], *commands: list[str]) -> list[str]:
    """Return which of these modules were loaded when the commands have run.

    Earlier releases of the libraries need more of Python than later ones: that is not ours.
    """
    code = (
        "import sys, click, msgspec\n"
        "theirs = set(sys.modules)\n"
        "from mediashelf.cli.main import main\n"
        f"for command in {commands!r}:\n"
        "    main(command, standalone_mode=False)\n"
        f"print('loaded:', *[name for name in {names!r} if name in sys.modules.keys() - theirs])\n"
    )
    return python("-c", code).splitlines()[-1].split()[1:]


def test_the_version_is_told_in_one_way() -> None:
    """Without the command group and with it."""
    told = python("-m", "mediashelf", "--version")
    assert told == CliRunner().invoke(main, ["--version"]).stdout
    assert told.startswith("mediashelf, version ")


@pytest.mark.parametrize(
    ("arguments", "spared"),
    [
        (["--help"], ["sqlite3", "mediashelf.system", "mediashelf.findings", "mediashelf.formats"]),
        (
            ["list"],
            ["xxhash", "json", "difflib", "mediashelf.readability", "mediashelf.image", "tqdm"],
        ),
        (["prepare", "--help"], ["jinja2", "mediashelf.drivers", "mediashelf.building.sources"]),
        (["drivers", "--help"], ["html", "mediashelf.drivers.machines.text_lists"]),
    ],
)
def test_what_starts_often_loads_little(
    arguments: list[str], spared: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MEDIASHELF_CATALOGUE", str(tmp_path / "catalogue.sqlite"))
    assert loaded(spared, arguments) == []


def test_what_few_discs_need_is_loaded_for_these_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "shelf").mkdir()
    make_iso({"README.TXT": b"x"}, joliet=3).save(tmp_path / "shelf" / "plain.iso")
    monkeypatch.setenv("MEDIASHELF_CATALOGUE", str(tmp_path / "catalogue.sqlite"))
    add = ["shelf", "add", str(tmp_path / "shelf"), "--name", "home"]
    spared = ["mediashelf.drivers", "mediashelf.formats.inf"]
    assert loaded([*spared, "pickle", "fastcrc", "jinja2"], add, ["scan"]) == []
    of_audit = ["mediashelf.readability", "mediashelf.integrity.inside", "fastcrc"]
    assert loaded(of_audit, ["audit"]) == []
    make_iso({"LKVX.INF": b"[Version]\r\n"}).save(tmp_path / "shelf" / "drivers.iso")
    assert loaded(spared, ["scan"]) == spared
