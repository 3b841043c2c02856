"""What tests of mending share."""

from __future__ import annotations

from pathlib import Path

import pytest

from mending_bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)
