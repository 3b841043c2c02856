"""A build takes memory for what it plans, and none for what it reads back."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import pytest

from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing import write

FILES = 200


def peak(folder: Path, count: int) -> int:
    folder.mkdir()
    (folder / "large.bin").touch()
    os.truncate(folder / "large.bin", 8 << 20)  # blocks that are read at once are full in any case
    for number in range(count):
        place = folder / f"Set {number // 100:02d}"
        place.mkdir(exist_ok=True)
        (place / f"Sample recording {number:04d}.txt").write_bytes(b"%d" % number)
    tracemalloc.start()
    try:
        write.build_disc(plan_disc(recipe_from_folders([folder])), folder.parent / "disc.iso")
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_each_file_takes_less_than_700_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """pycdlib is left out: it makes an object of each record, and where they are many it does so
    in a process of its own.
    """
    monkeypatch.setattr(write, "hear_witness", lambda plan, path: None)
    peak(tmp_path / "first", 1)  # what is loaded on the way is no part of it
    few, many = peak(tmp_path / "few", FILES), peak(tmp_path / "many", 4 * FILES)
    assert (many - few) / (3 * FILES) < 700


def test_files_of_one_size_are_told_apart_without_keeping_their_first_bytes(tmp_path: Path) -> None:
    for number in range(FILES):
        (tmp_path / f"{number:04d}.bin").write_bytes(b"%04d" % number * 1024)
    recipe = recipe_from_folders([tmp_path])
    plan_disc(recipe)  # what is loaded on the way is no part of it
    tracemalloc.start()
    try:
        plan = plan_disc(recipe)
        assert tracemalloc.get_traced_memory()[1] / FILES < 2048
    finally:
        tracemalloc.stop()
    assert plan.shared_size == 0
