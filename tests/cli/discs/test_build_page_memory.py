"""A plan, its page and its JSON take little memory for each file, whatever is found about it."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from msgspec.structs import replace

from mediashelf.building.recipes.capacity import Capacity
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.cli.discs.build_json import build_document
from mediashelf.cli.discs.build_report import write_pages
from mediashelf.cli.json_text import iter_json
from mediashelf.jobs.discs.recipe_plan import PlannedRecipe, plan_recipe
from mediashelf.readability.targets import load_targets

FILES = 1000
LONG = "Sample recording {:04d} of the tide at the harbour, which is as long as names can be.txt"


def plan(folder: Path, *, is_spread: bool = False) -> PlannedRecipe:
    recipe = replace(recipe_from_folders([folder]), capacity=Capacity("tried", 2000, ""))
    dos = load_targets(None)["dos"]
    return plan_recipe(recipe, [dos, replace(dos, name="another")], is_spread=is_spread)


def spread(folder: Path, count: int) -> None:
    work = plan(folder, is_spread=True)
    assert len(work.discs) == (2 if count == 3 * FILES else 1)
    assert len(work.findings) >= 3 * count


def page(folder: Path, count: int) -> None:
    work = plan(folder)
    assert len(work.findings) >= 3 * count
    write_pages(folder.parent / "page.html", work, (), is_dry_run=True)


def json(folder: Path, count: int) -> None:
    document = build_document(plan(folder), (), is_dry_run=True, anyway=False)
    assert sum(map(len, iter_json(document))) > 1000 * count


@pytest.mark.parametrize(("work", "most"), [(spread, 950), (page, 1170), (json, 1050)])
def test_each_file_takes_little_memory(
    tmp_path: Path, work: Callable[[Path, int], None], most: int
) -> None:
    def peak(count: int) -> int:
        folder = tmp_path / str(count)
        for number in range(count):
            place = folder / f"Set {number // 250:02d}"
            place.mkdir(parents=True, exist_ok=True)
            (place / LONG.format(number)).write_bytes(b"%d" % number)
        tracemalloc.start()
        try:
            work(folder, count)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(10)  # what is loaded on the way is no part of it
    few, many = peak(FILES), peak(3 * FILES)
    assert (many - few) / (2 * FILES) < most
