"""From the words of a plan to files: found, absent, ambiguous, copies."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from mediashelf.errors import SessionPlanError
from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.sessions.plans.resolve import KnownImage, Sources, resolve_plan
from mediashelf.sessions.plans.session_plan import SessionPlan
from plan_texts import parse_plan


class Shelf:
    """A library that finds by label."""

    def __init__(self, *images: KnownImage) -> None:
        self.images = images

    def find(self, text: str) -> Sequence[KnownImage]:
        return [image for image in self.images if text in image.label]

    def record(self, path: Path) -> FixityRecord | None:
        return next((image.record for image in self.images if image.path == path), None)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("system.iso", "attic.iso", "slides.iso", "drivers.toml"):
        (tmp_path / name).write_bytes(name.encode())
    return tmp_path


def record(digest: str) -> FixityRecord:
    return FixityRecord(10, 0, {"xxh3_128": digest})


def plan_for(folder: Path, *discs: str) -> SessionPlan:
    text = 'name = "n"\ntargets = ["dos"]\n' + "".join(f"[[disc]]\n{disc}\n" for disc in discs)
    return parse_plan(text.encode(), folder)


def resolve(folder: Path, *discs: str, shelf: Shelf | None = None) -> list[Sources]:
    return resolve_plan(plan_for(folder, *discs), shelf or Shelf())


def problem(folder: Path, *discs: str, shelf: Shelf | None = None) -> str:
    with pytest.raises(SessionPlanError) as caught:
        resolve(folder, *discs, shelf=shelf)
    return str(caught.value)


def test_paths_start_from_the_plans_folder(folder: Path) -> None:
    known = Shelf(KnownImage(folder / "system.iso", "SYSTEM", record("aa")))
    system, drivers = resolve(
        folder, 'image = "system.iso"', 'recipe = "drivers.toml"\nafter = "system.iso"', shelf=known
    )
    assert system.files[0].path == folder / "system.iso"
    assert system.files[0].record == record("aa")
    assert drivers.files[0].is_built


def test_every_disc_that_is_absent_is_named_at_once(folder: Path) -> None:
    text = problem(
        folder, 'image = "none.iso"', 'image = "system.iso"', 'recipe = "."', 'find = "nothing"'
    )
    first, second, third = text.splitlines()
    assert first.startswith("disc 1: image 'none.iso': ")
    assert first.endswith("none.iso does not exist")
    assert second.endswith("is not a file")
    assert third == (
        "disc 4: find 'nothing': no image in the catalogue has these words in its label or path"
    )


def test_copies_of_one_image_count_as_one(folder: Path) -> None:
    shelf = Shelf(
        KnownImage(folder / "gone.iso", "KIOSK", record("aa")),
        KnownImage(folder / "away.iso", "KIOSK", record("aa"), is_here=False),
        KnownImage(folder / "attic.iso", "KIOSK", record("aa")),
        KnownImage(folder / "system.iso", "KIOSK", record("aa")),
    )
    (disc,) = resolve(folder, 'find = "KIOSK"', shelf=shelf)
    assert disc.files[0].path == folder / "attic.iso"


def test_words_that_mean_several_images_are_refused(folder: Path) -> None:
    shelf = Shelf(
        KnownImage(folder / "system.iso", "KIOSK 1", record("aa")),
        KnownImage(folder / "slides.iso", "KIOSK 2", record("bb")),
        KnownImage(folder / "attic.iso", "KIOSK 3"),
    )
    text = problem(folder, 'find = "KIOSK"', shelf=shelf)
    assert "3 images that differ match these words" in text
    assert "slides.iso" in text
    (disc,) = resolve(folder, 'find = "KIOSK 2"', shelf=shelf)
    assert disc.files[0].path == folder / "slides.iso"


def test_an_unplugged_shelf_is_named(folder: Path) -> None:
    shelf = Shelf(KnownImage(folder / "away.iso", "KIOSK", record("aa"), is_here=False))
    assert "is on a shelf that is not connected" in problem(folder, 'find = "KIOSK"', shelf=shelf)


def test_alternatives_follow_in_order(folder: Path) -> None:
    (disc,) = resolve(
        folder,
        'image = "none.iso"\nor = [{ image = "attic.iso" }, { recipe = "drivers.toml" }, '
        '{ find = "x" }]',
    )
    assert [one.path.name for one in disc.files] == ["attic.iso", "drivers.toml"]
    assert len(disc.absent) == 2
