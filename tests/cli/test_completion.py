"""What shells offer for the next word."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

COMMAND = [
    sys.executable,
    "-c",
    "from mediashelf.cli.main import main; main(prog_name='mediashelf')",
]


def ask(kind: str, words: str = "", incomplete: str = "") -> str:
    asked = {"_MEDIASHELF_COMPLETE": kind, "COMP_WORDS": words, "COMP_CWORD": incomplete}
    done = subprocess.run(
        COMMAND, capture_output=True, text=True, env=os.environ | asked, check=False
    )
    assert done.stderr == ""
    return done.stdout


@pytest.mark.parametrize("shell", ["zsh", "fish", "powershell"])
def test_each_shell_gets_a_script_for_the_program(shell: str) -> None:
    script = ask(f"{shell}_source")
    assert "mediashelf" in script
    assert f"_MEDIASHELF_COMPLETE={shell}_complete" in script.replace(" = '", "=").replace(
        "$env:", ""
    )


def test_powershell_is_offered_commands_and_options_with_their_help() -> None:
    answer = ask("powershell_complete", "x\nsc", "sc").splitlines()
    offered = dict(line.split("\t") for line in answer)
    assert list(offered) == ["scan"]
    assert offered["scan"].startswith("Record")
    answer = ask("powershell_complete", "x\ncheck\n--fail-on", "").splitlines()
    assert [line.split("\t")[0] for line in answer] == ["error", "warning", "note", "never"]
    assert ask("powershell_complete", "x\ncheck\nno-such-file", "no-such-file").strip() == ""
