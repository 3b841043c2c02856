"""One recipe, one disc: build, check, drivers, plan show and prepare agree on bytes and findings.

Own behaviour: the README promises that equal sources give an equal disc, byte for byte,
and that errors block it; both hold whichever command asks.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

import mediashelf
from kiosk_disc import RECIPE, write_kiosk
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.writing.write import build_disc
from mediashelf.cli.main import main
from mediashelf.jobs.discs import driver_tables, recipe_plan
from mediashelf.readability.targets import Target

PLAIN = RECIPE.replace('machine = "kiosk.txt"\n', "")
LOSSY = RECIPE + 'skip = ["LKV.INF"]\n'
UNNAMED = RECIPE.replace('targets = ["win9x"]\n', "")
OWN = RECIPE.replace('"win9x"', '"win9x", "bare"')
OWN_TARGET = """\
title = "A loader with short paths"
based_on = "win9x"

[limits.path_length]
value = 12
source = "tried on the kiosk"
severity = "error"
"""
PLAN = """\
name = "Kiosk"
targets = ["win9x"]

[[disc]]
recipe = "disc.toml"
"""


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_kiosk(tmp_path)
    (tmp_path / "session.toml").write_text(PLAN)
    (tmp_path / "card").mkdir()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("MEDIASHELF_CATALOGUE", str(tmp_path / "catalogue.sqlite"))
    return tmp_path


def run(*arguments: str) -> tuple[int, dict[str, Any]]:
    result = CliRunner().invoke(main, [*arguments, "--json"])
    return result.exit_code, json.loads(result.stdout) if result.stdout else {}


def own_target(work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (work / "targets").mkdir()
    (work / "targets" / "bare.toml").write_text(OWN_TARGET)
    monkeypatch.setenv("MEDIASHELF_TARGETS", str(work / "targets"))


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def on_card(work: Path) -> str:
    (image,) = (work / "card").glob("*.iso")
    return sha256(image)


DOORS = {
    "build": ("build", "disc.toml", "--dry-run"),
    "check": ("check", "disc.toml"),
    "drivers": ("drivers", "disc.toml"),
    "plan show": ("plan", "show", "session.toml"),
    "prepare": ("prepare", "session.toml", "--to", "card", "--dry-run"),
}


def facts(findings: Iterable[dict[str, Any]], *severities: str) -> set[tuple[str, ...]]:
    """What findings say, without what a command adds: the disc, the part that they are about."""
    keys = ("rule", "severity", "where", "message", "remedy", "target")
    return {tuple(one[key] for key in keys) for one in findings if one["severity"] in severities}


def found_at(door: str) -> list[dict[str, Any]]:
    found = run(*DOORS[door])[1]
    findings = [one for disc in found.get("inputs", [found]) for one in disc["findings"]]
    # Of one disc alone; a plan tells of card and machine as well.
    return [one for one in findings if one.get("disc", 1) is not None]


@pytest.mark.parametrize("epoch", [None, "945000000"])
@pytest.mark.parametrize("recipe", [PLAIN, RECIPE], ids=["plain", "machine"])
def test_the_same_bytes_by_build_and_by_prepare(
    work: Path, monkeypatch: pytest.MonkeyPatch, recipe: str, epoch: str | None
) -> None:
    (work / "disc.toml").write_text(recipe)
    if epoch is not None:
        monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
    run("build", "disc.toml", "-o", "disc.iso")
    code, _ = run("prepare", "session.toml", "--to", "card")
    assert code == (1 if recipe == RECIPE else 0)  # a device without a driver is told
    assert on_card(work) == sha256(work / "disc.iso")
    # The second time the disc is built elsewhere, to be compared with that on the card.
    _, again = run("prepare", "session.toml", "--to", "card")
    assert [disc["action"] for disc in again["discs"]] == ["keep"]


@pytest.mark.parametrize("door", [door for door in DOORS if door != "drivers"])
@pytest.mark.parametrize("recipe", [PLAIN, RECIPE, LOSSY], ids=["plain", "machine", "lossy"])
def test_the_disc_that_every_door_plans_has_the_same_bytes(
    work: Path, monkeypatch: pytest.MonkeyPatch, recipe: str, door: str
) -> None:
    (work / "disc.toml").write_text(recipe)
    run("build", "disc.toml", "-o", "disc.iso", "--anyway")
    judge = recipe_plan._judge

    def watched(plan: DiscPlan, targets: Sequence[Target]) -> recipe_plan.JudgedPlan:
        assert not (work / "door.iso").exists()  # one plan
        build_disc(plan, work / "door.iso", anyway=True)  # now: check lets its plan go
        return judge(plan, targets)

    monkeypatch.setattr(recipe_plan, "_judge", watched)
    run(*DOORS[door])
    assert sha256(work / "door.iso") == sha256(work / "disc.iso")


@pytest.mark.parametrize("less", [0, 1])
def test_drivers_counts_the_tables_where_room_is_short(work: Path, less: int) -> None:
    (work / "disc.toml").write_text(RECIPE)
    sectors = run(*DOORS["build"])[1]["sectors"] - less
    limited = RECIPE.replace("label =", f'capacity = "{sectors} sectors"\nlabel =', 1)
    (work / "disc.toml").write_text(limited)
    for door in ("build", "drivers"):
        found = {one["rule"] for one in found_at(door)}
        assert ("over-capacity" in found) is (less == 1)


def test_drivers_lays_out_no_tables_where_there_is_room(
    work: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (work / "disc.toml").write_text(RECIPE)
    monkeypatch.setattr(driver_tables, "driver_tables", None)
    assert run(*DOORS["drivers"])[1]["targets"]


@pytest.mark.parametrize("recipe", [PLAIN, RECIPE, LOSSY], ids=["plain", "machine", "lossy"])
def test_every_door_foretells_the_same_size(work: Path, recipe: str) -> None:
    (work / "disc.toml").write_text(recipe)
    run("build", "disc.toml", "-o", "disc.iso", "--anyway")
    size = (work / "disc.iso").stat().st_size
    assert run(*DOORS["build"])[1]["size"] == size
    assert run(*DOORS["check"])[1]["inputs"][0]["size"] == size
    assert run(*DOORS["plan show"])[1]["discs"][0]["size"] == size
    assert run(*DOORS["prepare"])[1]["discs"][0]["size"] == size


def test_a_draft_counts_what_the_disc_tells_of_drivers(work: Path) -> None:
    options = ("drivers", "-m", "kiosk.txt", "-t", "win9x")
    _, draft = run("recipe", "new", *options)
    assert draft["size"] == run("build", *options, "--dry-run")[1]["size"]


@pytest.mark.parametrize("door", DOORS)
@pytest.mark.parametrize("recipe", [PLAIN, RECIPE, LOSSY], ids=["plain", "machine", "lossy"])
def test_every_door_finds_the_same_errors(work: Path, recipe: str, door: str) -> None:
    (work / "disc.toml").write_text(recipe)
    _, built = run(*DOORS["build"])
    expected = facts(built["findings"], "error")
    assert {one[0] for one in expected} == {
        PLAIN: set(),
        RECIPE: {"device-without-driver"},
        LOSSY: {"device-without-driver", "driver-lost-on-disc"},
    }[recipe]
    if door == "drivers" and recipe == PLAIN:
        return  # without a machine it asks of packages alone
    assert facts(found_at(door), "error") == expected


@pytest.mark.parametrize("door", ["check", "plan show", "prepare"])
def test_doors_that_judge_the_whole_disc_find_the_same_of_every_severity(
    work: Path, door: str
) -> None:
    (work / "disc.toml").write_text(LOSSY)
    _, built = run(*DOORS["build"])
    every = ("error", "warning", "note")
    # Where a disc stands in its session is for the session's doors alone.
    found = [one for one in found_at(door) if one["rule"] != "first-disc-boots"]
    assert facts(found, *every) == facts(built["findings"], *every)


def test_what_blocks_build_blocks_prepare(work: Path) -> None:
    (work / "disc.toml").write_text(LOSSY)
    assert run("build", "disc.toml", "-o", "disc.iso")[0] == 12
    code, found = run("prepare", "session.toml", "--to", "card")
    assert (code, found["is_prepared"]) == (12, False)
    assert not list((work / "card").glob("*.iso"))
    assert run("build", "disc.toml", "-o", "disc.iso", "--anyway")[0] == 1
    code, found = run("prepare", "session.toml", "--to", "card", "--anyway")
    assert (code, found["is_prepared"]) == (1, True)
    assert on_card(work) == sha256(work / "disc.iso")


@pytest.mark.parametrize("door", ["build", "check", "drivers", "plan show", "prepare"])
def test_every_door_shows_the_loss_to_people(work: Path, door: str) -> None:
    (work / "disc.toml").write_text(LOSSY)
    result = CliRunner().invoke(main, DOORS[door])
    assert "error driver-lost-on-disc [win9x]" in result.stdout
    assert result.exit_code == (12 if door == "prepare" else 1)


def test_a_loss_for_one_target_is_none_for_another(work: Path) -> None:
    (work / "disc.toml").write_text(LOSSY)
    (work / "session.toml").write_text(PLAN.replace('"win9x"', '"win9x", "nt5"'))
    (disc,) = run(*DOORS["plan show"])[1]["discs"]
    assert disc["passed"] == ["nt5"]


def test_what_is_only_told_takes_no_alternative(work: Path) -> None:
    (work / "other.toml").write_text(PLAIN)
    (work / "session.toml").write_text(PLAN + 'or = [{ recipe = "other.toml" }]\n')
    (disc,) = run(*DOORS["plan show"])[1]["discs"]
    assert disc["from"].endswith("disc.toml")
    assert disc["passed"] == ["win9x"]


@pytest.mark.parametrize("door", ["check", "drivers", "plan show", "prepare"])
def test_the_recipes_own_targets_count_at_every_door(
    work: Path, monkeypatch: pytest.MonkeyPatch, door: str
) -> None:
    own_target(work, monkeypatch)
    (work / "disc.toml").write_text(OWN)
    expected = facts(run(*DOORS["build"])[1]["findings"], "error")
    assert {one[0] for one in expected if one[-1] == "bare"} >= {"path-length"}
    assert facts(found_at(door), "error") == expected


def test_a_target_of_the_users_folder_gives_the_same_bytes(
    work: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own_target(work, monkeypatch)
    (work / "disc.toml").write_text(OWN)
    assert run("build", "disc.toml", "-o", "disc.iso")[0] == 12
    assert run("prepare", "session.toml", "--to", "card")[0] == 12
    run("build", "disc.toml", "-o", "disc.iso", "--anyway")
    run("prepare", "session.toml", "--to", "card", "--anyway")
    assert on_card(work) == sha256(work / "disc.iso")


def test_a_recipe_without_targets_is_planned_for_those_of_the_session(work: Path) -> None:
    (work / "disc.toml").write_text(UNNAMED)
    run("build", "disc.toml", "-t", "win9x", "-o", "disc.iso")
    run("prepare", "session.toml", "--to", "card")
    assert on_card(work) == sha256(work / "disc.iso")
    for door in ("build", "check"):
        assert run(*DOORS[door])[0] == 5


def test_the_sessions_targets_may_be_those_of_its_discs(work: Path) -> None:
    (work / "disc.toml").write_text(UNNAMED)
    plan = PLAN.replace('targets = ["win9x"]\n', "") + 'targets = ["win9x"]\n'
    (work / "session.toml").write_text(plan)
    run("build", "disc.toml", "-t", "win9x", "-o", "disc.iso")
    run("prepare", "session.toml", "--to", "card")
    assert on_card(work) == sha256(work / "disc.iso")


@pytest.mark.parametrize("door", ["check", "drivers"])
def test_options_go_before_the_recipe_at_every_door(work: Path, door: str) -> None:
    (work / "disc.toml").write_text(LOSSY)
    options = ("-t", "nt5")
    built = facts(run(*DOORS["build"], *options)[1]["findings"], "error")
    found = run(*DOORS[door], *options)[1]
    findings = [one for disc in found.get("inputs", [found]) for one in disc["findings"]]
    assert facts(findings, "error") == built
    assert not any(one[-1] == "win9x" for one in built)


def test_nothing_else_plans_a_recipe() -> None:
    """What plans a disc is called in two places: for every command, and to build it twice."""
    package = Path(mediashelf.__file__).parent
    planners = re.compile(r"\b(plan_disc|plan_listing|plan_series|list_sources)\(")
    users = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if planners.search(path.read_text("utf-8"))
    }
    assert {name for name in users if not name.startswith("building/")} == {
        "jobs/discs/recipe_plan.py",
        "sessions/cards/arrange.py",
    }
