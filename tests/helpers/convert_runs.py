"""``convert`` as a person runs it, and what it leaves in a folder."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner, Result

from make_image import make_iso
from make_raw import audio, mode_1_image, noise, write_sheet
from mediashelf.cli.main import main

ISO = make_iso({"README.TXT": b"Tide tables", "DRIVERS/LKVX3.VXD": noise(300_000)}, joliet=3).data
SECTORS = len(ISO) // 2048
MODE_1 = mode_1_image(ISO)


def run(*arguments: str | Path, code: int = 0) -> Result:
    result = CliRunner().invoke(main, ["convert", *map(str, arguments)])
    assert result.exit_code == code, result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def partials(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


def mixed_disc(folder: Path) -> Path:
    (folder / "mixed.bin").write_bytes(MODE_1 + audio(40))
    (folder / "second.bin").write_bytes(MODE_1)
    end = f"{SECTORS // 75 // 60:02}:{SECTORS // 75 % 60:02}:{SECTORS % 75:02}"
    return write_sheet(
        folder,
        "mixed.cue",
        [
            "FILE mixed.bin BINARY",
            "TRACK 01 MODE1/2352",
            "INDEX 01 00:00:00",
            "TRACK 02 AUDIO",
            f"INDEX 01 {end}",
            "FILE second.bin BINARY",
            "TRACK 03 MODE1/2352",
            "INDEX 01 00:00:00",
        ],
    )
