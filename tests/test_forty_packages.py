"""Forty packages for a machine of twelve devices: judged, spread over discs, and read back."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from forty_packages import FortyPackages, write_packages
from mediashelf.building.planning.listing import list_sources
from mediashelf.building.recipes.recipe import load_recipe
from mediashelf.building.sources.reading import iter_source
from mediashelf.cli.main import main
from outside_readers import libarchive_tree, pycdlib_tree


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> FortyPackages:
    return write_packages(tmp_path_factory.mktemp("forty"))


@pytest.fixture(scope="module")
def built(made: FortyPackages) -> dict[str, Any]:
    return run("build", made.recipe, "--spread", "-o", made.folder / "discs")


def run(*arguments: object) -> dict[str, Any]:
    words = [*map(str, arguments), "--json", "--fail-on", "never"]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    loaded: dict[str, Any] = json.loads(result.stdout)
    return loaded


def drivers_of(made: FortyPackages, *paths: Path) -> dict[str, Any]:
    return run("drivers", *paths, "-m", made.machine, "-t", "win9x")


def covers(found: dict[str, Any]) -> list[tuple[str, str]]:
    """What each device has, and the path of the INF in lower case."""
    (target,) = found.get("targets") or found["drivers"]
    return [
        (device["cover"], device["package"]["inf"].lower() if device["package"] else "")
        for device in target["devices"]
    ]


def missing(found: dict[str, Any]) -> set[tuple[str, str]]:
    """INF and name of every file that was looked for in vain."""
    (target,) = found.get("targets") or found["drivers"]
    return {
        (package["inf"].lower(), file["name"].lower())
        for package in target["packages"]
        for file in package["files"]
        if file["state"] in ("missing", "hidden-name")
    }


def test_there_are_forty_packages_and_twelve_devices(made: FortyPackages) -> None:
    found = drivers_of(made, made.recipe)
    assert len(found["machine"]["devices"]) == 12
    assert len(found["targets"][0]["packages"]) == len(made.packages) == 40


def test_the_coverage_is_what_it_was_made_to_be(made: FortyPackages) -> None:
    found = drivers_of(made, made.recipe)
    assert covers(found) == made.expected_covers()
    rules = [one["rule"] for one in found["findings"]]
    assert rules.count("device-without-driver") == 2
    assert rules.count("device-with-generic-driver") == 1


def test_every_missing_file_is_found_and_no_other(made: FortyPackages) -> None:
    assert len(made.absent()) >= 4
    assert missing(drivers_of(made, made.recipe)) == made.absent()


def test_three_discs_are_enough(built: dict[str, Any]) -> None:
    assert len(built["discs"]) == 3
    sizes = [disc["sectors"] for disc in built["discs"]]
    assert max(sizes) <= 2300


def test_no_package_is_torn_and_none_is_left_out(
    made: FortyPackages, built: dict[str, Any]
) -> None:
    home: dict[str, set[int]] = {}
    for disc in built["discs"]:
        for file in disc["files"]:
            for package in made.packages:
                if file["long_path"].startswith(f"/{package.folder}/"):
                    home.setdefault(package.folder, set()).add(disc["number"])
    assert len(home) == 40
    assert {len(numbers) for numbers in home.values()} == {1}


def test_the_written_discs_cover_what_the_sources_cover(
    made: FortyPackages, built: dict[str, Any]
) -> None:
    discs = [Path(disc["built"]["path"]) for disc in built["discs"]]
    of_discs = drivers_of(made, *discs)
    of_sources = drivers_of(made, made.recipe)
    assert covers(of_discs) == covers(of_sources) == covers(built) == made.expected_covers()
    assert missing(of_discs) == missing(of_sources) == missing(built) == made.absent()
    assert not [one for one in built["findings"] if one["rule"] == "driver-lost-on-disc"]


def test_other_readers_find_every_file_on_exactly_one_disc(
    made: FortyPackages, built: dict[str, Any]
) -> None:
    expected = {
        path: digest(file.own) for path, file in list_sources(load_recipe(made.recipe)).iter_paths()
    }
    for reader in (pycdlib_tree, libarchive_tree):
        seen: dict[str, str] = {}
        for disc in built["discs"]:
            tree = reader(Path(disc["built"]["path"]), joliet=True)
            files = {path: one for path, one in tree.items() if one}
            files = {path: one for path, one in files.items() if "/INDEX." not in path}
            assert not seen.keys() & files.keys()
            seen |= files
        assert seen == expected


def digest(content: Any) -> str:
    hasher = hashlib.sha256()
    for piece in iter_source(content):
        hasher.update(piece)
    return hasher.hexdigest()


def test_a_driver_left_out_of_the_recipe_stops_the_build(made: FortyPackages) -> None:
    text = made.recipe.read_text().replace(
        'from = "drivers"', 'from = "drivers"\nskip = ["Accelerator 3/"]'
    )
    poorer = made.folder / "poorer.toml"
    poorer.write_text(text)
    arguments = ["build", str(poorer), "--spread", "-o", str(made.folder / "poorer")]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 12
    assert "driver-lost-on-disc" in result.stdout
    assert not (made.folder / "poorer").exists()
