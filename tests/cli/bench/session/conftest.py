"""A card that was prepared, with its shelf."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from session_bench import Bench, make_bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)


@pytest.fixture
def shelf(bench: Bench) -> Shelf:
    """A prepared card of three discs: system, drivers, slides."""
    made = Shelf(bench.folder)
    made.run("shelf", "add", bench.folder / "library")
    made.run("scan")
    made.run("prepare", bench.plan, "--to", bench.card, "-q")
    return made
