"""A library for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from made_library import Library, open_library


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with open_library(tmp_path) as opened:
        yield opened
