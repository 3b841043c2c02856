"""Missing or away: mount points with nothing mounted, other cards, disks under new numbers."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from made_library import DATE, Library, open_library, tide_image, write
from mediashelf.catalogue.scanning import walk as walk_module
from mediashelf.catalogue.scanning.findings import scan_findings
from mediashelf.catalogue.scanning.presence import FileSystems, is_certain
from mediashelf.catalogue.shelf_places import same_disk
from mediashelf.findings import Severity
from mediashelf.jobs.library.shelves import shelves_here


@pytest.fixture
def mounts(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Folders that count as mount points, with the name of the file system there."""
    mounted: dict[str, str] = {}

    def of(self: FileSystems, folder: str) -> str:
        if not Path(folder).is_dir():
            return ""
        inside = [each for each in mounted if Path(folder).is_relative_to(each)]
        return mounted[max(inside, key=len)] if inside else "device 1"

    monkeypatch.setattr(FileSystems, "of", of)
    return mounted


def unplug(folder: Path, mounts: dict[str, str]) -> Path:
    """Leave an empty mount point, as a static one is left; returns where the files are now."""
    aside = folder.parents[1] / f"{folder.parent.name} {folder.name} unplugged"
    folder.rename(aside)
    folder.mkdir()
    del mounts[str(folder)]
    return aside


def plug(aside: Path, folder: Path, mounts: dict[str, str], name: str) -> None:
    folder.rmdir()
    aside.rename(folder)
    mounts[str(folder)] = name


def test_an_empty_mount_point_is_away_not_missing(library: Library, mounts: dict[str, str]) -> None:
    mounts[str(library.root)] = "uuid CARD-1"
    write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()
    aside = unplug(library.root, mounts)
    plan, _ = library.scan()
    assert plan.shelves[0].away == "another file system is in its place, with none of its images"
    assert library.states() == {"home: tide.iso": "away"}
    assert library.audit()["home: tide.iso"].verdict.state == "away"
    plug(aside, library.root, mounts, "uuid CARD-1")
    plan, outcomes = library.scan()
    assert (plan.shelves[0].returned, outcomes) == (["tide.iso"], [])
    assert library.states() == {"home: tide.iso": "recorded"}


def test_a_card_inside_a_shelf_is_away_alone(library: Library, mounts: dict[str, str]) -> None:
    card = library.root / "card"
    mounts[str(card)] = "uuid CARD-1"
    write(card / "sub" / "tide.iso", tide_image(1), DATE)
    write(library.root / "ebb.iso", tide_image(2), DATE)
    write(library.root / "gone.iso", tide_image(3), DATE)
    library.scan()
    (library.root / "gone.iso").unlink()
    unplug(card, mounts)
    plan, _ = library.scan()
    assert plan.shelves[0].away == ""
    expected = {
        "home: card/sub/tide.iso": "away",
        "home: ebb.iso": "recorded",
        "home: gone.iso": "missing",
    }
    assert library.states() == expected
    card.rmdir()  # as automatic mounting does
    library.scan()
    assert library.states() == expected


def test_another_card_in_its_place(library: Library, mounts: dict[str, str]) -> None:
    mounts[str(library.root)] = "uuid CARD-1"
    write(library.root / "tide.iso", tide_image(1), DATE)
    library.scan()
    unplug(library.root, mounts)
    mounts[str(library.root)] = "uuid CARD-2"
    write(library.root / "ebb.iso", tide_image(2), DATE)
    library.scan()
    assert library.states() == {"home: ebb.iso": "recorded", "home: tide.iso": "away"}


def test_a_disk_under_a_new_number_is_the_same_disk(
    library: Library, mounts: dict[str, str]
) -> None:
    mounts[str(library.root)] = "device 2065"
    write(library.root / "tide.iso", tide_image(1), DATE)
    write(library.root / "ebb.iso", tide_image(2), DATE)
    library.scan()
    mounts[str(library.root)] = "device 2081"
    (library.root / "ebb.iso").unlink()
    library.scan()
    assert library.states() == {"home: ebb.iso": "missing", "home: tide.iso": "recorded"}
    (library.root / "tide.iso").unlink()
    library.scan()
    assert library.states() == {"home: ebb.iso": "missing", "home: tide.iso": "missing"}


def test_a_record_does_not_leave_a_shelf_that_went_away_unseen(
    library: Library, mounts: dict[str, str]
) -> None:
    """Only home is scanned; card was unplugged since its own last scan."""
    card = library.add_shelf("card")
    mounts[str(card)] = "uuid CARD-1"
    write(card / "tide.iso", tide_image(), DATE)
    library.scan()
    unplug(card, mounts)
    write(library.root / "tide.iso", tide_image(), DATE)
    assert library.events("home") == {"tide.iso": "copy"}


def test_windows_names_a_volume_by_its_serial_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As ``vol`` prints it; of the longer numbers of NTFS the lower half (observed in CPython)."""
    monkeypatch.setattr("sys.platform", "win32")
    numbers = {"plain": 0x1A2B_3C4D, "long": 0xFEDC_BA98_1A2B_3C4D, "none": 0}
    status = SimpleNamespace
    monkeypatch.setattr(os, "stat", lambda folder: status(st_dev=numbers[str(folder)]))
    names = {folder: FileSystems().of(folder) for folder in numbers}
    assert names == {"plain": "serial 1A2B-3C4D", "long": "serial 1A2B-3C4D", "none": "device 0"}
    assert is_certain(names["plain"])
    assert not is_certain(names["none"])


def test_a_drive_under_another_letter_is_known_by_its_serial_number(
    library: Library, mounts: dict[str, str]
) -> None:
    card = library.add_shelf("card")
    mounts[str(card)] = "serial 1A2B-3C4D"
    write(card / "tide.iso", tide_image(), DATE)
    library.scan()
    elsewhere = library.root.parent / "F"
    card.rename(elsewhere)
    mounts[str(elsewhere)] = mounts.pop(str(card))
    found = same_disk(library.catalogue, elsewhere)
    assert found is not None
    assert found.name == "card"
    mounts[str(elsewhere)] = "serial 0000-0001"
    assert same_disk(library.catalogue, elsewhere) is None


def test_file_systems_are_told_apart_by_the_system_itself() -> None:
    file_systems = FileSystems()
    names = {file_systems.of(folder) for folder in ("/", "/proc") if Path(folder).is_dir()}
    if len({Path(folder).stat().st_dev for folder in ("/", "/proc") if Path(folder).is_dir()}) > 1:
        assert len(names) == 2
    assert file_systems.of("/no/such/folder") == ""
    assert file_systems.nearest("/no/such/folder/x.iso") == file_systems.of("/")


def test_a_real_mount(tmp_path: Path) -> None:
    """A memory file system is mounted on the shelf, and taken off again."""
    if shutil.which("mount") is None:
        pytest.skip("no mount program")
    with open_library(tmp_path) as library:
        command = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", library.root]
        if subprocess.run(command, capture_output=True, check=False).returncode:
            pytest.skip("mounting is not allowed here")
        try:
            write(library.root / "tide.iso", tide_image(), DATE)
            library.scan()
            assert library.states() == {"home: tide.iso": "recorded"}
        finally:
            subprocess.run(["umount", library.root], check=True)
        library.scan()
        assert library.states() == {"home: tide.iso": "away"}


def test_a_list_of_shelves_calls_an_empty_mount_point_away(
    library: Library, mounts: dict[str, str]
) -> None:
    """Own behaviour: it was "here", while scan and audit said away."""
    mounts[str(library.root)] = "uuid CARD-1"
    for seed, name in enumerate(("tide.iso", "ebb.iso")):
        write(library.root / name, tide_image(seed), DATE)

    def here() -> list[bool]:
        return [is_here for _, is_here in shelves_here(library.catalogue)]

    assert here() == [True]
    library.scan()
    assert here() == [True]
    aside = unplug(library.root, mounts)
    assert here() == [False]
    library.scan()
    assert here() == [False]
    plug(aside, library.root, mounts, "uuid CARD-1")
    assert here() == [True]
    for name in ("tide.iso", "ebb.iso"):
        (library.root / name).unlink()
    mounts[str(library.root)] = "uuid CARD-2"
    assert here() == [False]


class Untold:
    """An entry of a folder of which the disk tells nothing but the name."""

    def __init__(self, name: str) -> None:
        self.name = name

    def _fail(self, **options: bool) -> Any:
        raise OSError(errno.EIO, "Input/output error")

    is_dir = is_file = is_symlink = stat = _fail


def test_an_image_of_which_the_disk_does_not_tell_is_read_all_the_same(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Own behaviour (FUSE, EIO): the whole shelf was away, exit code 0, and an audit broke off."""
    for seed, name in enumerate(("tide.iso", "ebb.iso")):
        write(library.root / name, tide_image(seed), DATE)
    library.scan()
    write(library.root / "new.iso", tide_image(3), DATE)
    whole = walk_module.listed_folder

    @contextmanager
    def listed(folder: str) -> Iterator[Iterator[Any]]:
        with whole(folder) as entries:
            yield (one if one.name == "ebb.iso" else Untold(one.name) for one in entries)

    monkeypatch.setattr(walk_module, "listed_folder", listed)
    plan, outcomes = library.scan()
    assert (plan.shelves[0].away, plan.shelves[0].missing) == ("", [])
    assert {each.job.seen.path: each.event.value for each in outcomes} == {
        "new.iso": "new",
        "tide.iso": "confirmed",
    }
    assert scan_findings(plan, outcomes) == []
    assert {each.verdict.state.value for each in library.audit().values()} == {"sound"}


@pytest.mark.parametrize(
    ("number", "is_closed"), [(errno.EIO, True), (errno.EACCES, True), (errno.ENOTCONN, False)]
)
def test_a_shelf_that_is_there_and_closed_is_an_error(
    library: Library, monkeypatch: pytest.MonkeyPatch, number: int, is_closed: bool
) -> None:
    """Own behaviour: a failing disk was away, and nothing was said but that."""
    write(library.root / "tide.iso", tide_image(), DATE)
    library.scan()

    def refusing(folder: str) -> Any:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(walk_module, "listed_folder", refusing)
    plan, outcomes = library.scan()
    rules = [(each.rule, each.severity) for each in scan_findings(plan, outcomes)]
    assert rules == [("folder-is-readable", Severity.ERROR)] * is_closed
    (result,) = library.audit().values()
    assert result.verdict.state == ("sound" if is_closed else "away")
