"""Any tree, spread over discs of any size: nothing lost, torn, out of order or over the edge."""

from __future__ import annotations

import os
import random
from itertools import pairwise
from pathlib import Path

import pytest

from mediashelf.building.pages.disc_pages import DriverRow, DriverTable, tables_size
from mediashelf.building.planning.listing import list_sources
from mediashelf.building.recipes.capacity import Capacity
from mediashelf.building.recipes.recipe import BootImage, Recipe, SourceFolder
from mediashelf.building.spread.finding_units import find_units
from mediashelf.building.spread.series import DiscSeries, plan_series, with_tables
from mediashelf.errors import BuildError

INF = b'[Version]\r\nSignature="$CHICAGO$"\r\n[Manufacturer]\r\n'
NAMES = ["Larkspur Video", "港", "Türkei & <Co>", "x" * 70, "A", "a b c", "CON", "driver.d", "~1"]
if os.name == "nt":  # which keeps these marks and words out of the names of files
    NAMES = [{"Türkei & <Co>": "Türkei & Co", "CON": "CONS"}.get(name, name) for name in NAMES]


def make_source(top: Path, randomness: random.Random) -> Path:
    """A folder with packages at different depths, loose files and shared contents."""
    for _ in range(randomness.randint(1, 12)):
        depth = randomness.randint(0, 4)
        folder = top.joinpath(*randomness.choices(NAMES, k=depth))
        folder.mkdir(parents=True, exist_ok=True)
        if depth and randomness.random() < 0.6:
            (folder / "X.INF").write_bytes(INF)
        for number in range(randomness.randrange(5)):
            name = f"{randomness.choice(NAMES)}{number}.bin"
            size = randomness.choice([0, 1, 2048, 2049, 20_000, 90_000])
            seed = randomness.choice(["shared", f"{folder}{number}"])
            (folder / name).write_bytes(random.Random(seed).randbytes(size))
    top.mkdir(exist_ok=True)
    return top


def make_recipe(folder: Path, randomness: random.Random) -> Recipe:
    sources = tuple(
        SourceFolder(
            make_source(folder / f"source {number}", randomness),
            tuple(randomness.choices(NAMES, k=randomness.randint(0, 2))),
            keep_together=randomness.random() < 0.2,
            order=randomness.choice([0, 0, 1, -3]),
            notes=randomness.choice(["", "Read <this> first.\n" * 3]),
        )
        for number in range(randomness.randint(1, 4))
    )
    boot = None
    if randomness.random() < 0.2:
        (folder / "boot.img").write_bytes(bytes(30_000))
        boot = BootImage(folder / "boot.img")
    index = randomness.random() < 0.8
    return Recipe("Σ Kiosk", sources, capacity=Capacity("any", 1), boot=boot, index=index)


def make_tables(randomness: random.Random) -> list[DriverTable]:
    rows = tuple(
        DriverRow("display", name * 3, name, "/A/B.INF", f"/{name}/b.inf", 1)
        for name in randomness.sample(NAMES, 4)
    )
    return [DriverTable("Devices", rows)] * randomness.randrange(3)


def spread(recipe: Recipe, sectors: int, tables: list[DriverTable]) -> DiscSeries | None:
    """The series with its tables, None when a package is too large for a disc."""
    sized = Recipe(
        recipe.label,
        recipe.folders,
        capacity=Capacity("tried", sectors),
        boot=recipe.boot,
        index=recipe.index,
    )
    try:
        series = plan_series(sized, list_sources(sized), reserve=tables_size(tables))
    except BuildError as error:
        assert "in one piece" in str(error)
        return None
    return with_tables(series, tables)


@pytest.mark.parametrize("seed", range(40))
def test_every_spread_keeps_its_promises(tmp_path: Path, seed: int) -> None:
    randomness = random.Random(seed)
    recipe = make_recipe(tmp_path, randomness)
    tables = make_tables(randomness)
    listing = list_sources(recipe)
    whole = find_units(listing, recipe.folders)
    for sectors in (randomness.randint(60, 120), randomness.randint(120, 400)):
        series = spread(recipe, sectors, tables)
        if series is None:
            continue
        # Every file is on one disc, and only there.
        sources = [file.source for plan in series.plans for file in plan.listing.files]
        assert sorted(sources) == sorted(file.source for file in listing.files)
        # No disc is larger than it may be, by the layout that is written.
        for plan in series.plans:
            assert plan.layout.used_sectors <= sectors
            assert "over-capacity" not in {finding.rule for finding in plan.findings}
        # Packages are whole.
        for unit in whole:
            mine = {file.source for file in unit.iter_files()}
            homes = [
                number
                for number, plan in enumerate(series.plans)
                if mine & {file.source for file in plan.listing.files}
            ]
            assert len(homes) <= 1 or not unit.is_package
        # Orders go up from disc to disc, and the first one boots.
        orders = [[unit.order for unit in units if not unit.has_boot] for units in series.units]
        for before, after in pairwise(orders):
            assert max(before, default=-9999) <= min(after, default=9999)
        boots = [plan.boot is not None for plan in series.plans]
        assert boots == [recipe.boot is not None] + [False] * (len(boots) - 1)
        # The same again.
        again = spread(recipe, sectors, tables)
        assert again is not None
        assert [plan.facts for plan in again.plans] == [plan.facts for plan in series.plans]
