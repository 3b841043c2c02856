"""Stored images of several makers, and what must be seen in each.

A new case is a pair of files in ``fixtures/images``; it needs no code here.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from mediashelf.cli.main import main

FOLDER = Path(__file__).parents[1] / "fixtures" / "images"
CASES = sorted(path.name.removesuffix(".iso.gz") for path in FOLDER.glob("*.iso.gz"))


def what_matters(shown: dict[str, Any]) -> dict[str, Any]:
    """Leave out wording, and what follows from the rest."""
    return {
        "size": shown["size"],
        "volumes": [
            {
                "kind": volume["kind"],
                "label": volume["label"],
                "entries": [
                    [entry["path"], -1 if entry["is_directory"] else entry["size"]]
                    for entry in volume["entries"]
                ],
            }
            for volume in shown["volumes"]
        ],
        "boot": [
            [entry["media_type"], entry["load_lba"], entry["sector_count"]]
            for entry in (shown["boot"] or {"entries": []})["entries"]
        ],
        "findings": [
            [finding["severity"], finding["rule"], finding["offset"]]
            for finding in shown["findings"]
        ],
    }


def test_there_are_cases() -> None:
    assert CASES
    assert {path.stem for path in FOLDER.glob("*.json")} == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_a_stored_image_is_read_as_ever(name: str, tmp_path: Path) -> None:
    image = tmp_path / "image.iso"
    image.write_bytes(gzip.decompress((FOLDER / f"{name}.iso.gz").read_bytes()))
    result = CliRunner().invoke(main, ["show", "--json", "--fail-on", "never", str(image)])
    assert result.exit_code == 0
    expected = json.loads((FOLDER / f"{name}.json").read_text("utf-8"))
    assert what_matters(json.loads(result.stdout)) == expected["seen"]


def test_the_list_of_fixtures_names_every_case() -> None:
    text = (FOLDER.parent / "README.md").read_text("utf-8")
    assert not [name for name in CASES if f"`{name}`" not in text]
