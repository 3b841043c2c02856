"""What a person at a terminal sees, and a pipe does not: colour, pager, progress."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from make_image import make_iso

terminals = pytest.importorskip("terminals", reason="terminals as Unix has them")

COLOUR = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture
def image(tmp_path: Path) -> Path:
    return make_iso({f"FILE{number:03}.TXT": b"x" for number in range(60)}).save(
        tmp_path / "disc.iso"
    )


def test_colour_is_beside_the_word_and_can_be_refused(image: Path) -> None:
    words = ("check", image.parent / "none", "-t", "dos")
    (image.parent / "none").mkdir()
    (image.parent / "none" / "a long name.txt").write_bytes(b"x")
    told = terminals.at_terminal(*words).text
    assert COLOUR.search(told)
    plain = terminals.at_terminal(*words, NO_COLOR="1").text
    assert not COLOUR.search(plain)
    assert plain == terminals.at_terminal(*words, TERM="dumb").text == COLOUR.sub("", told)
    assert re.search(r"^(error|warning|note) [a-z-]+", plain, re.MULTILINE)


def test_a_long_answer_goes_through_the_pager_that_is_chosen(image: Path) -> None:
    numbered = terminals.at_terminal("show", image, "--tree", PAGER="cat -n").text
    assert re.search(r"^ +50\t.*FILE\d+\.TXT", numbered, re.MULTILINE)
    plain = terminals.at_terminal("show", image, "--tree").text
    assert re.sub(r"^ +\d+\t", "", numbered, flags=re.MULTILINE) == plain
    # This one fits the screen.
    assert "\t" not in terminals.at_terminal("show", image, PAGER="cat -n").text
    wrong = terminals.at_terminal("show", image.parent / "none.iso", PAGER="cat -n").text
    assert wrong.startswith("Error:")


def test_a_pipe_gets_neither(image: Path) -> None:
    command = [sys.executable, "-m", "mediashelf", "show", image, "--tree"]
    done = subprocess.run(
        command, capture_output=True, check=True, env={**os.environ, "PAGER": "cat -n"}
    )
    assert b"\x1b" not in done.stdout
    assert b"\t" not in done.stdout
    assert done.stderr == b""
