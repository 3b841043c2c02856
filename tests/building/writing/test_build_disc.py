"""Building: the same bytes every time, and a plan that is what the reader finds."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from built_tree import TREE, planned
from mediashelf.building.sources import collecting as sources
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BuildError
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

# Windows has no such function, and no program there changes its zone by itself.
use_time_zone = getattr(time, "tzset", lambda: None)


def test_the_plan_is_what_the_reader_finds(top: Path, tmp_path: Path) -> None:
    plan = planned(top)
    built = build_disc(plan, tmp_path / "disc.iso")
    assert built.size == plan.size == (tmp_path / "disc.iso").stat().st_size
    assert built.plan.file_count == 6  # five and the index page
    assert built.plan.folder_count == 2
    with open_image(tmp_path / "disc.iso") as image:
        assert image.findings == ()
        volume = image.facts.volume(VolumeKind.JOLIET)
        assert volume is not None
        large = next(entry for entry in volume.entries if entry.name == "LARGE.BIN")
        assert b"".join(image.iter_file(large)) == TREE["drivers/LARGE.BIN"]
        assert {entry.modified.timestamp() for entry in volume.entries if entry.modified} == {
            929_181_600
        }


def test_planned_entries_are_those_of_the_reader(top: Path, tmp_path: Path) -> None:
    """However they are asked for; but that a planned record is nowhere yet."""
    plan = planned(top)
    build_disc(plan, tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        for planned_volume in plan.facts.volumes:
            volume = image.facts.volume(planned_volume.kind)
            assert volume is not None
            found = [entry._replace(record_offset=-1) for entry in volume.entries]
            entries = planned_volume.entries
            assert len(entries) == len(found) == 8
            assert [entries[number] for number in range(-8, 8)] == 2 * found
            assert (*entries[2:5], *entries[5:]) == tuple(found[2:])
            assert list(entries) == found
            folders = [entry for folder in iter_folders(entries) for entry in folder.entries()]
            assert folders == found


def test_equal_files_share_their_place(top: Path, tmp_path: Path) -> None:
    plan = planned(top)
    assert plan.shared_size == 5000
    build_disc(plan, tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        for volume in image.facts.volumes:
            places = [entry.extents for entry in volume.files if entry.size == 5000]
            assert len(places) == 2
            assert len(set(places)) == 1


def test_progress_counts_what_is_read_and_read_back(top: Path, tmp_path: Path) -> None:
    counted: list[int] = []
    plan = planned(top)
    build_disc(plan, tmp_path / "disc.iso", on_bytes=counted.append)
    assert sum(counted) == 2 * plan.content_size


def test_two_builds_are_equal(top: Path, tmp_path: Path) -> None:
    build_disc(planned(top), tmp_path / "one.iso")
    build_disc(planned(top), tmp_path / "two.iso")
    assert (tmp_path / "one.iso").read_bytes() == (tmp_path / "two.iso").read_bytes()


def test_nothing_around_the_sources_matters(
    top: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Time zone, umask, listing order, another place, and the time of day."""
    build_disc(planned(top), tmp_path / "one.iso")
    elsewhere = tmp_path / "elsewhere" / "top"
    shutil.copytree(top, elsewhere)
    real_scandir = os.scandir

    class Reversed:
        def __init__(self, path: str) -> None:
            with real_scandir(path) as entries:
                self._entries = sorted(entries, key=lambda entry: entry.name, reverse=True)

        def __enter__(self) -> list[os.DirEntry[str]]:
            return self._entries

        def __exit__(self, *error: object) -> None:
            pass

    monkeypatch.setattr(sources.os, "scandir", Reversed)
    monkeypatch.setenv("TZ", "Pacific/Chatham")
    monkeypatch.setenv("LC_ALL", "tr_TR.UTF-8")
    use_time_zone()
    old_umask = os.umask(0o077)
    try:
        build_disc(planned(elsewhere), tmp_path / "two.iso")
    finally:
        os.umask(old_umask)
        monkeypatch.undo()
        use_time_zone()
    assert (tmp_path / "one.iso").read_bytes() == (tmp_path / "two.iso").read_bytes()


def test_the_environment_can_date_the_disc(
    top: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "900000000")  # 9 July 1998, before the files
    plan = planned(top)
    build_disc(plan, tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        for volume in image.facts.volumes:
            assert volume.created == volume.modified == "1998-07-09T16:00:00+00:00"
            dates = {entry.modified.isoformat() for entry in volume.entries if entry.modified}
            assert dates == {"1998-07-09T16:00:00+00:00"}


@pytest.mark.parametrize("text", ["yesterday", "-1", "1e9", "٩"])
def test_a_date_that_is_no_number_is_refused(
    top: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", text)
    with pytest.raises(BuildError, match="SOURCE_DATE_EPOCH"):
        planned(top)
