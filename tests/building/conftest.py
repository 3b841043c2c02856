"""A tree to build a disc from."""

from __future__ import annotations

from pathlib import Path

import pytest

from build_trees import write_tree
from built_tree import TREE


@pytest.fixture
def top(tmp_path: Path) -> Path:
    return write_tree(tmp_path / "top", TREE)
