"""What the structure checks of a whole image find, for the tests of this folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from mediashelf.findings import Finding
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure

Find = Callable[[bytes], list[Finding]]


@pytest.fixture
def find(tmp_path: Path) -> Find:
    def find_in(data: bytes) -> list[Finding]:
        path = tmp_path / "disc.iso"
        path.write_bytes(data)
        with open_image(path) as image:
            return list(check_structure(image))

    return find_in
