"""An error says what it says in lines of its own: a name from outside cannot add one."""

from __future__ import annotations

from pathlib import Path

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
