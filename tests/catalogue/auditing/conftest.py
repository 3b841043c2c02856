"""An image on record for the tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from audited_tide import forget_the_day
from made_library import DATE, Library, tide_image, write


@pytest.fixture
def tide(library: Library) -> Path:
    path = write(library.root / "tide.iso", tide_image(mebibytes=3), DATE)
    library.scan()
    forget_the_day(library)
    return path
