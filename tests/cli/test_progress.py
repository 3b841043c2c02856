"""Every long command says at a terminal what it waits for and how long; in a pipe it does not."""

from __future__ import annotations

import gzip
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from mediashelf.catalogue.steps.upgrading import LABEL
from mediashelf.cli.main import COMMANDS
from mediashelf.demo.scenario import make_scenario

terminals = pytest.importorskip("terminals", reason="terminals as Unix has them")

# Shown from the start, not only where it takes long.
AT_ONCE = "import mediashelf.cli.progress as shown; shown._FIRST_AFTER = 0"

HOW_LONG = r"\d\d:\d\d left|\? left|, \d\d:\d\d|: \d\d:\d\d"

KIOSK = "library/kiosk-system.iso"
LONG = {
    "scan": (("scan", "--accept", KIOSK), "scanning"),
    "scan packages": (("scan",), "looking for driver packages"),
    "audit": (("audit",), "auditing"),
    "mend": (("mend", KIOSK, "--from", "library/kiosk-system (attic copy).iso", "-n"), "mending"),
    # Of its own target: the scan has the answers of the others.
    "list": (("list", "-t", "kiosk", "--targets-folder", "own"), "who reads these images"),
    "duplicates": (("list", "--duplicates"), "comparing what is on record"),
    "page": (("list", "--report", "page.html", "--with-files"), "making the page"),
    "compare": (("compare", KIOSK, "library/kiosk-system (attic copy).iso"), "comparing"),
    "extract": (("extract", KIOSK, "-o", "out"), "extracting"),
    "convert": (("convert", "library/harbour-sounds.cue", "-o", "out.iso"), "converting"),
    "save": (("catalogue", "save", "saved.sqlite"), "saving the catalogue"),
    "check": (("catalogue", "check"), "checking the catalogue"),
    "restore": (
        ("catalogue", "restore", "kept.sqlite", "--catalogue", "new.sqlite"),
        "checking and copying the saved catalogue",
    ),
    "write": (("checksums", "write", "library", "-o", "SHA256SUMS"), "reading"),
    "compare list": (("checksums", "check", "library", "SUMS"), "reading"),
    "build": (("build", "driver-disc.toml", "-o", "drivers.iso"), "building"),
    "sources": (("build", "driver-disc.toml", "-n"), "looking at the sources"),
    "checked": (("check", "driver-disc.toml"), "looking at the sources"),
    "drivers": (("drivers", "drivers", "-m", "devices.txt", "-t", "win9x"), "reading INFs"),
    "recipe": (("recipe", "new", "drivers", "-o", "new.toml"), "looking at the sources"),
    "plan": (("plan", "show", "session.toml"), "checking"),
    "prepare": (("prepare", "session.toml", "--to", "other-card", "--anyway"), "copying"),
    "manifest": (("manifest", "card"), "reading the card"),
}

# The others read nothing that grows with a library, or tell their steps themselves.
SHORT = {"demo", "targets", "shelf", "find", "describe", "show", "timer", "session"}


def test_each_command_is_long_or_short() -> None:
    assert {words[0] for words, _ in LONG.values()} | SHORT == set(COMMANDS)


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("example") / "kiosk"
    make_scenario(folder)
    (folder / "own").mkdir()
    (folder / "own" / "kiosk.toml").write_text('title = "Kiosk"\nbased_on = "dos"\n')
    (folder / "other-card").mkdir()
    environment = {**os.environ, "MEDIASHELF_CATALOGUE": str(folder / "catalogue.sqlite")}
    for words in (
        ("shelf", "add", "library"),
        ("scan",),
        ("catalogue", "save", "kept.sqlite"),
        ("checksums", "write", "library", "-o", "SUMS"),
        ("prepare", "session.toml", "--to", "card", "--anyway"),
    ):
        command = [sys.executable, "-m", "mediashelf", *words]
        subprocess.run(command, cwd=folder, env=environment, check=False, capture_output=True)
    return folder


@pytest.mark.parametrize("name", LONG)
def test_what_is_waited_for_and_how_long(example: Path, tmp_path: Path, name: str) -> None:
    words, label = LONG[name]
    assert words[0] in COMMANDS
    shutil.copyfile(example / "kept.sqlite", tmp_path / "catalogue.sqlite")
    with closing(sqlite3.connect(tmp_path / "catalogue.sqlite")) as db, db:
        db.execute("DELETE FROM target_verdicts")  # as after a change of limits
    catalogue = {"MEDIASHELF_CATALOGUE": str(tmp_path / "catalogue.sqlite")}
    told = terminals.at_terminal(*words, folder=example, code=AT_ONCE, **catalogue).text
    lines = re.findall(rf"\r{label}: [^\r\n]*", told)
    assert lines, told
    assert all(re.search(HOW_LONG, line) for line in lines)
    piped = subprocess.run(
        [sys.executable, "-m", "mediashelf", *words],
        cwd=example,
        env={**os.environ, **catalogue},
        capture_output=True,
        check=False,
    )
    assert f"{label}:".encode() not in piped.stderr + piped.stdout
    assert b"\r" not in piped.stderr


def test_an_older_catalogue_that_is_brought_up_to_date_says_so(tmp_path: Path) -> None:
    old = Path(__file__).parents[2] / "fixtures" / "catalogues" / "version-9.sqlite.gz"
    place = tmp_path / "catalogue.sqlite"
    place.write_bytes(gzip.decompress(old.read_bytes()))
    catalogue = {"MEDIASHELF_CATALOGUE": str(place)}
    told = terminals.at_terminal("list", folder=tmp_path, code=AT_ONCE, **catalogue).text
    assert re.search(rf"\r{LABEL}: \d\d:\d\d", told), told
    told = terminals.at_terminal("list", folder=tmp_path, code=AT_ONCE, **catalogue).text
    assert LABEL not in told
