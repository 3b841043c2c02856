"""The jobs about discs, called as a library: no command line, progress through a callback."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from msgspec.structs import replace

from kiosk_disc import RECIPE, write_kiosk
from mediashelf.errors import OutputError, RecipeError
from mediashelf.jobs.discs.building import build_recipe, refuse_destination
from mediashelf.jobs.discs.checking import examine_source
from mediashelf.jobs.discs.recipe_options import RecipeOptions, can_be_planned, find_recipe
from mediashelf.jobs.discs.recipe_plan import plan_recipe
from mediashelf.readability.targets import load_targets, pick_targets


@pytest.fixture
def work(tmp_path: Path) -> Path:
    write_kiosk(tmp_path)
    return tmp_path


def test_options_go_before_the_recipe_and_leave_the_rest(work: Path) -> None:
    plain = find_recipe([work / "disc.toml"])
    assert find_recipe([work / "disc.toml"], RecipeOptions()) == plain
    changed = find_recipe(
        [work / "disc.toml"], RecipeOptions(targets=("nt5",), capacity="21min", has_index=False)
    )
    assert (changed.targets, changed.capacity.name, changed.index) == (("nt5",), "21min", False)
    assert changed.boot is None
    assert replace(changed, targets=plain.targets, capacity=plain.capacity, index=True) == plain


def test_a_folder_named_like_a_recipe_is_a_folder(work: Path) -> None:
    (work / "odd.toml").mkdir()
    (work / "odd.toml" / "a.txt").write_bytes(b"a")
    assert find_recipe([work / "odd.toml"]).path is None
    assert can_be_planned(work / "odd.toml")
    assert not can_be_planned(work / "disc.iso")


def test_a_machine_needs_a_target(work: Path) -> None:
    recipe = find_recipe([work / "disc.toml"])
    with pytest.raises(RecipeError, match=r"disc\.toml: names a machine but no system"):
        plan_recipe(replace(recipe, targets=()), [])


def test_progress_is_told_for_every_stretch_of_work(work: Path) -> None:
    told: list[tuple[str, int | None, int]] = []

    @contextmanager
    def progress(
        label: str, *, total: int | None = None, unit: str = "B"
    ) -> Iterator[Callable[[int], None]]:
        amounts: list[int] = []
        yield amounts.append
        told.append((label, total, sum(amounts)))

    recipe = find_recipe([work / "disc.toml"])
    targets = pick_targets(recipe.targets, load_targets())
    planned = plan_recipe(recipe, targets, progress=progress)
    built = build_recipe(planned, work / "disc.iso", progress=progress)
    size = 2 * planned.content_size
    assert [label for label, _, _ in told] == [
        "looking at the sources",
        "reading INFs",
        "reading INFs",
        "building",
    ]
    assert [amount for label, _, amount in told if label == "reading INFs"] == [2, 2]
    assert told[-1] == ("building", size, size)
    assert built.discs[0].path == work / "disc.iso"


def test_a_checked_source_says_what_each_finding_is_about(work: Path) -> None:
    (work / "disc.toml").write_text(RECIPE + 'skip = ["LKV.INF"]\n')
    known = load_targets()
    checked = examine_source(work / "disc.toml", [], known)
    assert (checked.kind, checked.is_asked, checked.served) == ("recipe", True, None)
    about = {(part, one.rule) for part, found in checked.parts for one in found}
    assert ("drivers", "driver-lost-on-disc") in about
    assert ("plan", "driver-lost-on-disc") not in about
    folder = examine_source(work / "drivers", [], known)
    assert (folder.kind, folder.is_asked, folder.drivers) == ("folder", False, None)
    assert [target.name for target, _ in folder.targets] == list(known)


def test_where_discs_cannot_go_is_known_before_anything_is_read(work: Path) -> None:
    recipe = find_recipe([work / "disc.toml"])
    (work / "old.iso").write_bytes(b"old")
    for output, is_spread in (("old.iso", False), ("old.iso", True), ("no/folder", True)):
        with pytest.raises(OutputError):
            refuse_destination(recipe, work / output, is_spread=is_spread, replace=False)
    refuse_destination(recipe, work / "old.iso", is_spread=False, replace=True)
    refuse_destination(recipe, work / "discs", is_spread=True, replace=False)
    assert not (work / "discs").exists()
