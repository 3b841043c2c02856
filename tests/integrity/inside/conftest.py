"""An image of files with checksums of their own."""

from __future__ import annotations

import pytest

from image_contents import FILES, LONG_NAMES
from make_image import MadeImage, make_iso


@pytest.fixture(scope="module")
def made() -> MadeImage:
    return make_iso(FILES, joliet=3, long_names=LONG_NAMES)
