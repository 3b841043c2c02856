"""The help of every command at the widths of terminals."""

from __future__ import annotations

from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from mediashelf.cli.main import COMMANDS, main


def names() -> Iterator[tuple[str, ...]]:
    yield ()
    context = click.Context(main, info_name="mediashelf")
    for name in COMMANDS:
        yield (name,)
        command = main.get_command(context, name)
        if isinstance(command, click.Group):
            yield from ((name, inner) for inner in command.list_commands(context))


@pytest.mark.parametrize("columns", [40, 80])
@pytest.mark.parametrize("name", list(names()), ids=" ".join)
def test_help_fits(monkeypatch: pytest.MonkeyPatch, name: tuple[str, ...], columns: int) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    done = CliRunner().invoke(main, [*name, "--help"], prog_name="mediashelf")
    assert done.exit_code == 0
    told = done.stdout.partition("Examples:")[0]  # they stay as one types them
    assert [line for line in told.splitlines() if len(line) > columns] == []
    assert len(told.split()) > 10
