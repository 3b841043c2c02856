"""``drivers`` as a person runs it, for an invented machine."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from mediashelf.cli.main import main

VIDEO, SOUND, LAN = (
    "PCI\\VEN_F2C4&DEV_0301",
    "PCI\\VEN_F3D7&DEV_1600",
    "PCI\\VEN_F4B9&DEV_0100",
)
MACHINE = """\
Slot:\t01:00.0
Class:\tVGA compatible controller [0300]
Vendor:\tLarkspur Video [f2c4]
Device:\tAccelerator 3 [0301]
SVendor:\tLarkspur Video [f2c4]
SDevice:\tTall board [001e]
Rev:\t03

Slot:\t00:0a.0
Class:\tMultimedia audio controller [0401]
Vendor:\tQuillon Audio [f3d7]
Device:\tAudio 16 [1600]

Slot:\t00:0b.0
Class:\tEthernet controller [0200]
Vendor:\tTernfield [f4b9]
Device:\tLAN [0100]
"""


def run(*arguments: str | Path, code: int = 0, width: int = 100) -> Result:
    words = [str(argument) for argument in arguments]
    result = CliRunner().invoke(main, ["drivers", *words], env={"COLUMNS": str(width)})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.output
    return result


def run_json(*arguments: str | Path, code: int = 0) -> Any:
    text = run(*arguments, "--json", code=code).stdout
    assert text.isascii()
    return json.loads(text)


def covers(answer: Any) -> list[tuple[str, str]]:
    return [
        (device["cover"], device["package"]["inf"] if device["package"] else "")
        for device in answer["targets"][0]["devices"]
    ]
