"""Answers fit the terminal: of 40 columns and of 80, every command on the example."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import pytest
from click.testing import CliRunner

from mediashelf.cli.main import COMMANDS, main
from mediashelf.text import display_width

GOOD, DECAYED = "library/kiosk-system.iso", "library/kiosk-system (attic copy).iso"
MACHINE = ("-m", "devices.txt", "-t", "win9x")
ANSWERS = [
    ("shelf", "list"),
    ("scan",),
    ("audit",),
    ("audit", "--due", "1d"),
    ("list",),
    ("list", "-t", "dos"),
    ("list", "--duplicates"),
    ("list", "--findings"),
    ("list", "--columns", "image,set,place,boot,state,size"),
    ("find", "kiosk"),
    ("find", "lkv"),
    ("show", GOOD),
    ("show", GOOD, "--tree"),
    ("show", "--history", GOOD),
    ("show", "library/harbour-sounds.cue"),
    ("compare", GOOD, DECAYED),
    ("mend", DECAYED, "--from", GOOD, "-n"),
    ("extract", GOOD, "-o", "out-{columns}"),
    ("convert", "library/harbour-sounds.cue", "-o", "sounds.iso", "--replace"),
    ("describe", GOOD, "--note", "Reads slowly on the drive of the workshop, but well at home"),
    ("catalogue", "check"),
    ("catalogue", "save", "saved.sqlite", "--replace"),
    ("checksums", "write", "library", "-o", "SUMS", "--replace"),
    ("checksums", "check", "library", "SUMS"),
    ("build", "driver-disc.toml", "-n"),
    ("build", "drivers", "--label", "PARTS", "--spread", "--capacity", "21min", "-n"),
    ("check", "driver-disc.toml"),
    ("check", GOOD, "-t", "dos", "-t", "nt5"),
    ("drivers", "drivers", *MACHINE),
    ("drivers", "drivers", *MACHINE, "--explain", "Quillon"),
    ("drivers", "--shelves", *MACHINE),
    ("targets",),
    ("targets", "nt4"),
    ("plan", "show", "session.toml"),
    ("prepare", "session.toml", "--to", "card"),
    ("manifest", "card"),
    ("session", "list"),
    ("session", "report"),
]
# The example shows commands as one types them; the others' answers are files.
NOT_ASKED = {"demo", "recipe", "timer"}


def test_every_command_is_asked() -> None:
    assert {words[0] for words in ANSWERS} | NOT_ASKED == set(COMMANDS)


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("example") / "kiosk"
    with contextlib.redirect_stdout(io.StringIO()):
        assert CliRunner().invoke(main, ["demo", "-q", str(folder)]).exit_code == 0
    return folder


@pytest.mark.parametrize("columns", [40, 80])
@pytest.mark.parametrize("words", ANSWERS, ids=" ".join)
def test_an_answer_fits(
    example: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], columns: int
) -> None:
    monkeypatch.chdir(example)
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("MEDIASHELF_CATALOGUE", "catalogue.sqlite")
    done = CliRunner().invoke(main, [word.format(columns=columns) for word in words])
    assert isinstance(done.exception, SystemExit | None)
    assert done.exit_code < 2 or words[0] == "prepare"
    assert done.stdout or done.exit_code
    assert [line for line in done.stdout.splitlines() if display_width(line) > columns] == []
