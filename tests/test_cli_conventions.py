"""What every command promises, checked on the whole command tree."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from mediashelf.cli.main import COMMANDS, main

README = (Path(__file__).parents[1] / "README.md").read_text("utf-8")


def every_command() -> Iterator[tuple[str, click.Command]]:
    for name in COMMANDS:
        command = main.get_command(click.Context(main), name)
        assert command is not None
        yield from _with_children(name, command)


def _with_children(name: str, command: click.Command) -> Iterator[tuple[str, click.Command]]:
    if isinstance(command, click.Group):
        for child_name, child in command.commands.items():
            yield from _with_children(f"{name} {child_name}", child)
    else:
        yield name, command


COMMAND_LIST = list(every_command())
NAMES = [name for name, _ in COMMAND_LIST]


def options(command: click.Command) -> set[str]:
    return {text for option in command.params for text in option.opts}


@pytest.mark.parametrize(("name", "command"), COMMAND_LIST, ids=NAMES)
def test_every_command_can_be_quiet_and_speak_json(name: str, command: click.Command) -> None:
    assert "--quiet" in options(command)
    # The tour shows commands.
    if name != "demo":
        assert "--json" in options(command)


@pytest.mark.parametrize(("name", "command"), COMMAND_LIST, ids=NAMES)
def test_help_has_a_paragraph_and_examples(name: str, command: click.Command) -> None:
    result = CliRunner().invoke(main, [*name.split(), "--help"])
    assert result.exit_code == 0
    assert command.help
    assert "Example" in result.output
    assert f"mediashelf {name}" in result.output


@pytest.mark.parametrize("name", sorted({name.split()[0] for name in NAMES}))
def test_the_readme_knows_every_command(name: str) -> None:
    assert re.search(rf"mediashelf {name}\b", README)


def test_a_wrong_command_names_the_nearest() -> None:
    result = CliRunner().invoke(main, ["scann"])
    assert result.exit_code == 2
    assert "Did you mean 'scan'?" in result.output


def test_the_list_of_commands_is_grouped_by_job() -> None:
    output = CliRunner().invoke(main, ["--help"]).output
    places = [
        output.index(text)
        for text in ("Job 1", "\n  build ", "Job 2", "\n  audit ", "Job 3", "\n  plan ")
    ]
    assert places == sorted(places)
    listed = re.findall(r"^  ([a-z]+)  +[A-Z]", output, re.MULTILINE)
    assert sorted(listed) == sorted(COMMANDS)


def test_help_imports_no_command() -> None:
    code = (
        "import sys\nfrom mediashelf.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n"
        "    print([name for name in sys.modules if name.startswith('mediashelf.cli.')])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = [name.rpartition(".")[2] for name in ast.literal_eval(ran.stdout.splitlines()[-1])]
    assert loaded == ["console", "help_text", "paging", "telling", "main"]


def test_ctrl_c_says_what_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(self: click.Command, ctx: click.Context) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(click.Command, "invoke", stop)
    for name, told in (("scan", "What was finished is kept"), ("find", "No unfinished file")):
        result = CliRunner().invoke(main, [name, "x"])
        assert result.exit_code == 130
        assert told in result.stderr


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize("fault", [ValueError("of ours"), RecursionError(), MemoryError()])
def test_a_fault_of_ours_does_not_look_like_findings(
    monkeypatch: pytest.MonkeyPatch, fault: Exception, as_json: bool
) -> None:
    """Exit code 1 is for findings, and nothing ends with a traceback."""

    def fail(self: click.Command, ctx: click.Context) -> None:
        click.echo('{"format": "half of')
        raise fault

    monkeypatch.setattr(click.Command, "invoke", fail)
    result = CliRunner().invoke(main, ["find", "x", *["--json"] * as_json])
    assert result.exit_code == 70
    assert re.search(r"internal error at cli/main.py line \d+", result.stderr)
    assert type(fault).__name__ in result.stderr
    assert "Traceback" not in result.stderr
    assert "| 70 | an internal error" in README


def test_help_fits_a_narrow_terminal() -> None:
    result = CliRunner().invoke(main, ["--help"], terminal_width=40)
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 78
