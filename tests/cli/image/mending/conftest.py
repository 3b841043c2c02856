"""A shelf for commands on one image."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, overwrite, write
from mended_shelf import MIB, TIDE


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """A library of one image, which has decayed in two places since it was recorded."""
    made = Shelf.with_shelves(tmp_path, "home")
    tide = write(made.home / "tide.iso", TIDE, DATE)
    made.run("scan")
    overwrite(tide, 2 * MIB + 5000, bytes(range(100)))
    overwrite(tide, 4 * MIB, bytes(range(100)))
    return made
