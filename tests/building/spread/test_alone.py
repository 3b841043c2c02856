"""A unit alone on its disc: what is told of it is what a layout says."""

from __future__ import annotations

import os
import random
from collections import Counter
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.pages.disc_pages import PagesSize
from mediashelf.building.planning.listing import Listing, list_sources
from mediashelf.building.recipes.capacity import Capacity
from mediashelf.building.recipes.recipe import Recipe, SourceFolder
from mediashelf.building.spread.alone import measure_alone
from mediashelf.building.spread.finding_units import find_units
from mediashelf.building.spread.measuring import Measure
from mediashelf.building.spread.units import Unit, take_apart

NAMES = [
    *("LKV.INF", "lkv.sys", "Lkv", "lkv", "LKV", "readme.txt", "ReadMe.TXT", "INDEX.TXT"),
    *("Larkspur display driver.inf", "Larkspur display drivel.inf", "Quillon, rev. 3 (final).sys"),
    *("clock$", ".hidden", "a.b.c", "two.dots.txt", "~1"),
    *("Zwölf.sys", "драйвер.sys", "語" * 40, "ﷺ", "e\u0301.inf", "x" * 100 + ".inf", "\u0958"),
]
if os.name != "nt":  # it has no such files
    NAMES += ["con", "AUX.txt", "com1", "ending."]


def a_tree(seed: int) -> dict[str, bytes]:
    dice = random.Random(seed)
    files: dict[str, bytes] = {}
    folders = [""]
    for _ in range(dice.randrange(12)):
        parent = dice.choice(folders)
        if parent.count("/") < 9:
            folders.append(f"{parent}{dice.choice(NAMES)}/")
    for _ in range(dice.randrange(60)):
        name = dice.choice(folders) + dice.choice(NAMES)
        if f"{name}/".lower() not in map(str.lower, folders):
            files[name] = b"%d" % dice.randrange(40) * dice.choice([0, 1, 1000, 3000])
    known = {f"{folder}" for name in files for folder in folders if name.startswith(folder)}
    return {folder: b"" for folder in folders if folder and folder not in known} | files


def every_unit(listing: Listing, recipe: Recipe) -> list[Unit]:
    units = find_units(listing, recipe.folders)
    for unit in units:  # grows
        units += [part for part in take_apart(unit) if part != unit]
    return units


@pytest.mark.parametrize("has_pages", [True, False])
def test_what_is_told_without_a_layout_is_what_it_says(tmp_path: Path, has_pages: bool) -> None:
    told: Counter[bool] = Counter()
    for seed in range(60):
        top = write_tree(tmp_path / str(seed), a_tree(seed))
        capacity = Capacity("some", 100_000)
        recipe = Recipe("Kiosk", (SourceFolder(top),), capacity=capacity, index=has_pages)
        listing = list_sources(recipe)
        for text in (0, 1000, 2040):
            measure = Measure(recipe, listing, PagesSize(text, 5000))
            for unit in every_unit(listing, recipe):
                alone = measure_alone(unit, measure.empty)
                told[alone is not None] += 1
                if alone is not None:
                    laid_out = measure.measure((unit,))
                    assert alone.sectors == laid_out.sectors, (seed, text, unit.name)
                    assert alone.index_size >= laid_out.index_size
    assert told[True] > 500  # mostly without
    assert told[False] > (50 if has_pages else 0)


def test_many_files_in_one_folder_are_laid_out(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {f"P/file{number}.sys": b"" for number in range(50)})
    recipe = Recipe("Kiosk", (SourceFolder(top),), capacity=Capacity("some", 100_000))
    listing = list_sources(recipe)
    measure = Measure(recipe, listing, PagesSize())
    (unit,) = find_units(listing, recipe.folders)
    assert measure_alone(unit, measure.empty) is None
    assert measure.measure_alone(unit) == measure.measure((unit,))
