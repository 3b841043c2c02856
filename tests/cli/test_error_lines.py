"""An error says what it says in lines of its own: a name from outside cannot add one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import write
from mediashelf.errors import InputError, SessionPlanError

FORGED = "x\nError: nothing is wrong\n.iso"


def test_a_line_break_in_a_name_is_shown_as_one(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    path = write(tmp_path / "home" / FORGED, b"x")
    for words in (("mend", path.parent, "-n"), ("mend", f"{path}x", "--as", FORGED, "-n")):
        error = shelf.run(*words, code=InputError.exit_code).stderr
        assert len(error.splitlines()) == 1
    assert "x\\x0aError: nothing is wrong\\x0a.iso" in error


def test_an_error_may_have_lines(tmp_path: Path) -> None:
    assert str(SessionPlanError("one", "two")) == "one\ntwo"


LONG = "a very long name of an image that is not on this shelf at all, whatever one looks for.iso"


@pytest.mark.parametrize("columns", [40, 80])
@pytest.mark.parametrize(
    "words",
    [
        ("check", LONG, "-t", "dos"),
        ("mend", LONG, "-n"),
        ("catalogue", "restore"),
        ("shelf", "add", "--name", "x" * 100),
        ("lisst",),
        ("check", "--target", "no such system of which anybody ever heard anything", "."),
        ("list", "--no-such-option-anywhere-in-this-command-or-any-other-one"),
    ],
    ids=lambda words: words[0],
)
def test_an_error_fits_the_terminal_and_reaches_a_pipe_whole(
    tmp_path: Path, words: tuple[str, ...], columns: int
) -> None:
    terminals = pytest.importorskip("terminals", reason="terminals as Unix has them")
    told, code = terminals.at_terminal(*words, columns=columns, folder=tmp_path)
    assert code >= 2
    assert "Error: " in told
    assert [line for line in told.splitlines() if len(line) > columns] == []
    piped = subprocess.run(
        [sys.executable, "-m", "mediashelf", *words],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    ).stderr
    error = piped[piped.index("Error: ") :].splitlines()[0]
    assert "".join(error.split()) in "".join(told.split())
