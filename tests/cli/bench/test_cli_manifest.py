"""``mediashelf manifest``: exit codes, text, JSON, and a start that is fast enough for a board."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from mediashelf.cli.main import main
from mediashelf.sessions.manifests.manifest import schema
from session_samples import SYSTEM, make_card


@pytest.fixture
def card(tmp_path: Path) -> Path:
    return make_card(tmp_path)


def run(*arguments: object, columns: int = 80) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(
        main, ["manifest", *map(str, arguments)], catch_exceptions=False
    )


def test_a_sound_card_is_clean(card: Path) -> None:
    for place in (card, card / "manifest.json"):
        result = run(place, columns=120)
        assert result.exit_code == 0
        assert "Tide-table kiosk, for Kiosk PC, 1999" in result.stdout
        assert "2 images, sizes and digests compared: no findings" in result.stdout
        assert result.stderr == ""


def test_damage_ends_with_exit_code_1(card: Path) -> None:
    os.truncate(card / SYSTEM, 100)
    result = run(card)
    assert result.exit_code == 1
    assert "card-size-agrees" in result.stdout
    assert run(card, "--fail-on", "never").exit_code == 0


def test_what_is_wrong_is_named_beside_the_disc(card: Path) -> None:
    data = (card / SYSTEM).read_bytes()
    for change, words in (
        (lambda: (card / SYSTEM).unlink(), "missing"),
        (lambda: (card / SYSTEM).write_bytes(data[:-2048]), "another size"),
        (lambda: (card / SYSTEM).write_bytes(b"x" + data[1:]), "other bytes"),
    ):
        change()
        shown = run(card, columns=120).stdout
        (line, *_) = [line for line in shown.splitlines() if SYSTEM in line]
        assert words in line
        assert ("2 images (1 missing)" in shown) == (words == "missing")


def test_the_summary_says_what_was_not_read(card: Path) -> None:
    result = run(card, "--sizes-only")
    assert result.exit_code == 0
    assert "sizes compared, contents not read" in result.stdout


def test_json_has_the_documented_shape(card: Path) -> None:
    os.truncate(card / SYSTEM, 100)
    result = run(card, "--json")
    document = json.loads(result.stdout)
    assert result.exit_code == 1
    assert document["command"] == "manifest"
    assert document["version"] == 1
    assert document["contents_read"] is True
    assert [disc["agrees"] for disc in document["discs"]] == [False, True, False]
    assert document["findings"][0]["rule"] == "card-size-agrees"
    assert result.stdout.isascii()


def test_quiet_keeps_what_needs_attention(card: Path) -> None:
    (card / "holiday.jpg").write_bytes(b"x")
    result = run(card, "-q")
    assert result.stdout.splitlines() == [
        "2 images, sizes and digests compared: 1 note",
    ]


def test_forty_columns_are_enough(card: Path) -> None:
    (card / "holiday.jpg").write_bytes(b"x")
    os.truncate(card / SYSTEM, 100)
    for line in run(card, columns=40).stdout.splitlines():
        assert len(line) <= 40 or " " not in line.strip(), line


@pytest.mark.parametrize(
    ("text", "exit_code", "message"),
    [
        ("{", 14, "not JSON"),
        ('{"format": "mediashelf-card", "version": 9}', 14, "update mediashelf"),
        ("\x1b[2J", 14, "not JSON"),
    ],
)
def test_what_is_no_manifest_ends_with_its_exit_code(
    tmp_path: Path, text: str, exit_code: int, message: str
) -> None:
    path = tmp_path / "manifest.json"
    path.write_text(text)
    result = run(path)
    assert result.exit_code == exit_code
    assert message in result.stderr
    assert "\x1b" not in result.stderr


def test_a_missing_manifest_says_what_to_name(tmp_path: Path) -> None:
    result = run(tmp_path)
    assert result.exit_code == 3
    assert "name a card's manifest.json" in result.stderr


def test_the_schema_is_printed_whole() -> None:
    assert json.loads(run("--schema").stdout) == schema()


def test_checking_a_card_needs_little(card: Path) -> None:
    """On a board: nothing that reads images, builds discs or renders pages is loaded."""
    code = (
        "import sys\n"
        "from mediashelf.cli.main import main\n"
        f"main(['manifest', {str(card)!r}], standalone_mode=False)\n"
        "heavy = ['sqlite3', 'jinja2', 'pycdlib', 'tqdm', 'mediashelf.image',\n"
        "         'mediashelf.readability', 'mediashelf.building', 'mediashelf.catalogue']\n"
        "print('loaded:', [name for name in heavy if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "loaded: []"
