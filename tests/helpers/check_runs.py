"""``check`` as a person runs it, and what its JSON says."""

from __future__ import annotations

import json
from typing import Any

from click.testing import CliRunner, Result

from mediashelf.cli.main import main

ROOM = {"pad_sectors": 400}  # the emulator refuses images of fewer than 300 blocks
FILES = {"README.TXT": b"tide table\r\n", "DRIVERS/LKVX3.INF": b"; invented\r\n" * 40}
LONG_NAMES = {"DRIVERS/LKVX3.INF": "Larkspur video.inf"}


def run(*arguments: object, columns: int = 80) -> Result:
    return CliRunner(env={"COLUMNS": str(columns)}).invoke(
        main, ["check", *map(str, arguments)], catch_exceptions=False
    )


def read(*arguments: object) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(run(*arguments, "--json").stdout)
    return document


def rules(document: dict[str, Any], about: str = "target") -> set[tuple[str, str]]:
    return {
        (item["target"], item["rule"])
        for disc in document["inputs"]
        for item in disc["findings"]
        if item["about"] == about
    }
