"""The ``targets`` command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from mediashelf.cli.discs.targets import value_text
from mediashelf.cli.main import main
from mediashelf.readability.limits import LIMIT_KINDS
from mediashelf.readability.targets import load_targets


def run(*arguments: object, columns: int = 80) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(
        main, ["targets", *map(str, arguments)], catch_exceptions=False
    )


def test_the_list_names_every_target() -> None:
    result = run()
    assert result.exit_code == 0
    first_words = [line.split()[0] for line in result.stdout.splitlines() if line]
    assert first_words[:6] == ["system", "dos", "win9x", "nt4", "nt5", "nt6"]


def test_a_target_shows_every_limit_with_its_source() -> None:
    text = " ".join(run("nt4", columns=200).stdout.split())
    for key, limit in load_targets()["nt4"].limits.items():
        assert LIMIT_KINDS[key].meaning in text
        assert limit.source in text
    assert "rule: warning boot-method" in text  # the row's own severity
    assert "rule: note boot-platform-fits" in text  # common practice


def test_a_first_phase_is_said() -> None:
    assert "setup begins by reading as: dos" in run("win9x").stdout


def test_own_targets_show_their_file(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text('title = "Mine\\u001b"\nbased_on = "dos"\n')
    result = run("mine", "--targets-folder", tmp_path, columns=300)
    assert f"file: {tmp_path / 'mine.toml'}" in result.stdout
    assert "Mine\\x1b" in result.stdout
    assert "mine" in run("--targets-folder", tmp_path).stdout


def test_json_has_its_documented_shape() -> None:
    document = json.loads(run("--json").stdout)
    assert (document["command"], document["version"]) == ("targets", 1)
    assert [row["name"] for row in document["targets"]] == ["dos", "win9x", "nt4", "nt5", "nt6"]
    for row in document["targets"]:
        assert list(row) == ["name", "title", "file", "family", "first_phase", "limits"]
        for limit in row["limits"]:
            assert list(limit) == [
                "limit",
                "meaning",
                "value",
                "source",
                "is_published",
                "rules",
            ]
            assert limit["rules"]
            for rule in limit["rules"]:
                assert list(rule) == ["rule", "title", "severity"]
                assert limit["is_published"] or rule["severity"] == "note"
    assert [row["name"] for row in json.loads(run("nt5", "--json").stdout)["targets"]] == ["nt5"]


def test_an_unknown_target_is_an_error() -> None:
    result = run("nt3")
    assert (result.exit_code, result.stdout) == (7, "")
    assert "'nt3' is not a target" in result.stderr


@pytest.mark.parametrize("columns", [40, 80])
def test_lines_fit_the_terminal(columns: int) -> None:
    for arguments in ([], ["-q"], ["dos"], ["nt6"]):
        lines = run(*arguments, columns=columns).stdout.splitlines()
        assert max(len(line) for line in lines) <= columns


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "yes"),
        (2_147_483_647, "2,147,483,647"),
        (("no-emulation", "hard-disk"), "no-emulation, hard-disk"),
        ((2048,), "2048"),
        ("\x00\x1f<>", "2 control characters and <>"),
        (". ", ". and space"),
    ],
)
def test_values_as_people_read_them(value: object, text: str) -> None:
    assert value_text(value) == text  # type: ignore[arg-type]
