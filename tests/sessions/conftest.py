"""The workshop that tests of this folder begin with."""

from __future__ import annotations

from pathlib import Path

import pytest

from session_bench import Bench, make_bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return make_bench(tmp_path)
