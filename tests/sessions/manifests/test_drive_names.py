"""The names of the emulated drive, and manifests for older boards, from plan to card."""

from __future__ import annotations

import json

import pytest

from cli_runs import Shelf
from mediashelf.errors import ManifestError, SessionPlanError
from mediashelf.sessions.emulator import drive_names
from mediashelf.sessions.plans.session_plan import load_plan
from session_bench import SLIDES_DISC, SYSTEM_DISC, Bench


def test_names_are_padded_to_their_places() -> None:
    """As f_mass_storage.c has them: %-8s%-16s and four characters more."""
    assert drive_names("TIDE", "HARBOUR DISCS") == "TIDE    HARBOUR DISCS   1   "
    assert drive_names("", "D") == "Linux   D               1   "
    assert len(drive_names("V" * 8, "P" * 16)) == 28


def test_a_plan_names_the_drive(bench: Bench) -> None:
    bench.write_plan(SLIDES_DISC, top='[drive]\nproduct = "TIDE DISCS"')
    (write,) = bench.prepare().manifest.drive
    assert (write.attribute, write.value) == ("inquiry_string", drive_names("", "TIDE DISCS"))
    bench.write_plan(SLIDES_DISC)
    assert bench.prepare().manifest.drive == ()


@pytest.mark.parametrize(
    "line",
    [
        'vendor = "NINECHARS"',
        'product = "Seventeen letters"',
        'product = "Tïde"',
        'vendor = "a\\tb"',
    ],
)
def test_names_that_do_not_fit_are_refused(bench: Bench, line: str) -> None:
    bench.write_plan(SLIDES_DISC, top=f"[drive]\n{line}")
    with pytest.raises(SessionPlanError, match=r"\[drive\]: .* plain characters"):
        load_plan(bench.plan)


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_card_for_an_older_board_stays_as_it_is(bench: Bench, version: int) -> None:
    bench.write_plan(SYSTEM_DISC, SLIDES_DISC)
    shelf = Shelf(bench.folder)
    words = ("prepare", bench.plan, "--to", bench.card, "--manifest-version", str(version), "-q")
    shelf.run(*words)
    before, places = bench.on_card(), bench.inodes()
    manifest = json.loads(before["manifest.json"])
    assert manifest["version"] == version
    assert ("drive" in manifest, "servable" in manifest["discs"][0]) == (False, version == 3)
    if version < 3:
        assert manifest["start"] == 2  # the slides: nothing that erases
    shelf.run(*words)
    assert (bench.on_card(), bench.inodes()) == (before, places)
    shelf.run("manifest", bench.card)
    shelf.run("session", "note", "1", "w", "--session", bench.card)
    shelf.run("prepare", bench.plan, "--to", bench.card, "-q")
    assert json.loads(bench.on_card()["manifest.json"])["version"] > version
    assert bench.inodes() == places


def test_an_older_board_is_never_told_to_erase_by_itself(bench: Bench) -> None:
    bench.write_plan(SYSTEM_DISC)
    shelf = Shelf(bench.folder)
    words = ("prepare", bench.plan, "--to", bench.card, "--manifest-version", "1")
    out = shelf.run(*words, code=ManifestError.exit_code).stderr
    assert "every disc of this session may erase" in out
    assert bench.on_card() == {}
