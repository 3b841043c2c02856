"""``mediashelf show`` tells the tracks of raw images."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from make_image import make_iso
from make_raw import audio, mode_1_image, write_sheet
from mediashelf.cli.main import main

ISO = make_iso({"README.TXT": b"Tide tables"}).data
SECTORS = len(ISO) // 2048


def mixed(folder: Path) -> Path:
    (folder / "mixed.bin").write_bytes(mode_1_image(ISO) + audio(30))
    start = f"00:{SECTORS // 75:02}:{SECTORS % 75:02}"
    lines = ["FILE mixed.bin BINARY", "TRACK 01 MODE1/2352", "INDEX 01 00:00:00"]
    return write_sheet(
        folder, "mixed.cue", [*lines, "TRACK 02 AUDIO", "PREGAP 00:02:00", f"INDEX 01 {start}"]
    )


def show(*arguments: str) -> str:
    result = CliRunner().invoke(main, ["show", *arguments])
    assert result.exit_code == 1, result.output  # raw sectors cannot be served
    return result.stdout


def test_tracks_of_a_sheet(tmp_path: Path) -> None:
    lines = show(str(mixed(tmp_path))).splitlines()
    at = next(index for index, line in enumerate(lines) if line.startswith("file "))
    assert [line.split() for line in lines[at : at + 3]] == [
        ["file", "track", "holds", "bytes", "a", "sector", "sectors", "first", "LBA"],
        ["mixed.bin", "1", "data,", "mode", "1", "2352", str(SECTORS), "0"],
        ["mixed.bin", "2", "audio", "2352", "30", str(SECTORS + 150)],
    ]


def test_tracks_in_json(tmp_path: Path) -> None:
    sheet = mixed(tmp_path)
    tracks = json.loads(show(str(sheet), "--json"))["tracks"]
    assert tracks[1] == {
        "number": 2,
        "type": "AUDIO",
        "file": str(tmp_path / "mixed.bin"),
        "offset": SECTORS * 2352,
        "sector_count": 30,
        "first_lba": SECTORS + 150,
    }
    [track] = json.loads(show(str(tmp_path / "mixed.bin"), "--json"))["tracks"]
    assert (track["type"], track["first_lba"]) == ("MODE1/2352", None)


def test_sheet_that_cannot_be_understood(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path, "bad.cue", ["FILE x.bin BINARY", "TRACK 01 MODE9"])
    text = " ".join(show(str(sheet)).split())
    assert "cannot be told" in text
    assert "line 2, column 10" in text
    assert json.loads(show(str(sheet), "--json"))["tracks"] == []


def test_plain_image_has_no_tracks_to_tell(tmp_path: Path) -> None:
    (tmp_path / "disc.iso").write_bytes(ISO)
    result = CliRunner().invoke(main, ["show", str(tmp_path / "disc.iso"), "--json"])
    assert json.loads(result.stdout)["tracks"] == []
