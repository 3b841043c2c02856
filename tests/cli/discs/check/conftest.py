"""A sound image and a folder for ``check``."""

from __future__ import annotations

from pathlib import Path

import pytest

from check_runs import FILES, LONG_NAMES, ROOM
from make_image import make_iso


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    made = make_iso(FILES, joliet=True, long_names=LONG_NAMES, **ROOM)
    return made.save(tmp_path / "sound.iso")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "drivers"
    (place / "Larkspur video").mkdir(parents=True)
    (place / "Larkspur video" / "Larkspur video.inf").write_text("; invented\n")
    (place / "readme.txt").write_text("tide table\n" * 60_000)
    return place
