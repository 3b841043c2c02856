"""What ``check`` prints and refuses: JSON, narrow terminals, quiet, inputs that are not there."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from check_runs import ROOM, read, run
from make_image import make_iso
from mediashelf.findings import Finding, Severity


@pytest.mark.parametrize("name", ["nowhere.iso", "nowhere.toml", "nowhere"])
def test_missing_inputs(tmp_path: Path, name: str) -> None:
    result = run(tmp_path / name)
    assert result.exit_code == 3
    assert name in result.stderr


def test_a_pipe_does_not_block(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.iso")
    assert run(tmp_path / "a.iso").exit_code == 3


def test_no_input_is_wrong_usage() -> None:
    assert run().exit_code == 2


def test_images_are_not_written_to(sound: Path) -> None:
    before = (sound.read_bytes(), sound.stat().st_mtime_ns)
    sound.chmod(stat.S_IRUSR)
    assert run(sound).exit_code == 0
    assert (sound.read_bytes(), sound.stat().st_mtime_ns) == before


def test_json_has_its_documented_shape(sound: Path, folder: Path) -> None:
    document = read(sound, folder, "-t", "dos", "-t", "nt4")
    assert list(document) == ["command", "version", "inputs", "failed", "left_out"]
    assert (document["command"], document["version"]) == ("check", 1)
    image, planned = document["inputs"]
    for disc in (image, planned):
        assert list(disc) == [
            "input",
            "kind",
            "size",
            "label",
            "is_complete",
            "targets",
            "findings",
        ]
        for row in disc["targets"]:
            assert list(row) == ["target", "verdict", "errors", "warnings", "notes"]
            assert row["verdict"] == "reads it"
            listed = [item for item in disc["findings"] if item["target"] == row["target"]]
            assert len(listed) == row["errors"] + row["warnings"] + row["notes"]
        for item in disc["findings"]:
            assert list(item) == ["about", *Finding("r", Severity.NOTE, "", "").as_dict()]
    assert (image["kind"], image["size"]) == ("image", sound.stat().st_size)
    assert planned["kind"] == "folder"


def test_quiet_says_nothing_of_sound_discs(sound: Path) -> None:
    result = run(sound, "-q")
    assert (result.exit_code, result.output) == (0, "")


def test_quiet_still_says_what_needs_attention(tmp_path: Path) -> None:
    image = make_iso({"LONGNAMES.TXT": b"a"}, **ROOM).save(tmp_path / "a.iso")
    result = run(image, "-q")
    assert "cannot read all of it" in result.stdout
    assert "nt5" not in result.stdout


def test_places_are_limited_unless_all_are_asked_for(tmp_path: Path) -> None:
    files = {f"LONGNAME{number}.TXT": b"" for number in range(10)}
    image = make_iso(files, **ROOM).save(tmp_path / "a.iso")
    short = run(image, "-t", "dos").stdout
    assert "… and 7 more like these" in short
    assert short.count("/LONGNAME") == 3
    assert run(image, "-t", "dos", "--all").stdout.count("/LONGNAME") == 10
    assert len(read(image, "-t", "dos")["inputs"][0]["findings"]) == 10


def test_hostile_names_reach_the_terminal_escaped(tmp_path: Path) -> None:
    # Windows has no controls in names of files; on a disc they can be.
    name = "a.iso" if os.name == "nt" else "a\x1b[2J.iso"
    image = make_iso(
        {"A.TXT": b"a"}, joliet=True, long_names={"A.TXT": "a\x1b[31m\u202e.txt"}, **ROOM
    ).save(tmp_path / name)
    result = run(image, "-t", "dos", "-t", "nt5", "--all")
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output
    assert "\\x1b[31m\\u202e.txt" in result.output.replace("\n", "").replace("    ", "")


@pytest.mark.parametrize("columns", [40, 60, 120])
def test_lines_fit_the_terminal(tmp_path: Path, columns: int) -> None:
    image = make_iso({"LONGNAMES.TXT": b"a"}, **ROOM).save(tmp_path / "a.iso")
    for arguments in ([image], [image, "-t", "dos", "-t", "win9x"]):
        lines = run(*arguments, columns=columns).stdout.splitlines()
        assert max(len(line) for line in lines) <= columns


def test_help_has_examples() -> None:
    result = run("--help")
    assert result.exit_code == 0
    assert "mediashelf check disc.iso --target dos" in result.stdout
