"""Building: the same bytes every time, sources that misbehave, outputs whole or not at all."""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.capacity import parse_capacity
from mediashelf.building.recipes.recipe import BootImage
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.sources import collecting as sources
from mediashelf.building.sources import reading
from mediashelf.building.writing import write
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BlockedError, BuildError, OutputError
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

MIB = 1 << 20
# Windows has no such function, and no program there changes its zone by itself.
use_time_zone = getattr(time, "tzset", lambda: None)
TREE = {
    "SETUP.EXE": b"setup" * 1000,
    "drivers/Larkspur video (rev. 3).inf": b"[Version]\r\n",
    "drivers/LARGE.BIN": random.Random(7).randbytes(2 * MIB + 1),
    "drivers/copy of setup.exe": b"setup" * 1000,
    "empty.txt": b"",
    "nothing here/": b"",
}


@pytest.fixture
def top(tmp_path: Path) -> Path:
    return write_tree(tmp_path / "top", TREE)


def planned(top: Path) -> DiscPlan:
    return plan_disc(recipe_from_folders([top], label="HARBOUR"))


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


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


# The same disc every time


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


# Sources that are not what they were


def grow(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(b"more")


def shrink(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def change(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:-1] + b"!")


def vanish(path: Path) -> None:
    path.unlink()


def become_a_fifo(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def become_a_link(path: Path) -> None:
    moved = path.with_name("moved")
    path.rename(moved)
    path.symlink_to(moved)


KINDS_OF_SOURCE = [
    "drivers/LARGE.BIN",  # read when the disc is built
    "SETUP.EXE",  # read when it was planned, too: it has an equal one
    "drivers/copy of setup.exe",  # that one
    "empty.txt",  # never read
]


@pytest.mark.parametrize(
    ("misbehave", "name"),
    [
        (misbehave, name)
        for misbehave in (grow, shrink, change, vanish, become_a_fifo, become_a_link)
        for name in KINDS_OF_SOURCE
        if not (misbehave is shrink and name == "empty.txt")  # it cannot
    ],
)
def test_a_source_that_changed_since_the_plan_ends_the_build(
    top: Path, tmp_path: Path, misbehave: Callable[[Path], None], name: str
) -> None:
    plan = planned(top)
    time.sleep(0.01)  # so that the time of the change is another one on every file system
    misbehave(top / name)
    with pytest.raises(BuildError, match=r"build again|cannot be read|not a regular file"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]


@pytest.mark.parametrize(
    "misbehave",
    [
        grow,
        shrink,
        change,
        pytest.param(
            vanish,
            marks=pytest.mark.skipif(
                os.name == "nt", reason="Windows does not remove a file that a program reads"
            ),
        ),
    ],
)
def test_a_source_that_changes_while_it_is_read_ends_the_build(
    top: Path, tmp_path: Path, misbehave: Callable[[Path], None]
) -> None:
    plan = planned(top)
    victim = top / "drivers/LARGE.BIN"
    seen = 0

    def on_bytes(count: int) -> None:
        nonlocal seen
        if count == MIB and not seen:  # the first of three pieces has been read
            seen = count
            time.sleep(0.01)
            misbehave(victim)

    with pytest.raises(BuildError, match=r"LARGE\.BIN: (shrank|grew|changed|vanished)"):
        build_disc(plan, tmp_path / "disc.iso", on_bytes=on_bytes)
    assert left_in(tmp_path) == ["top"]


def test_a_source_on_a_failing_medium_ends_the_build(
    top: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = planned(top)

    class Failing(reading.FileIO):
        def read(self, size: int = -1) -> bytes:
            data = super().read(size)
            if self.tell() > MIB:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return data

    monkeypatch.setattr(reading, "FileIO", Failing)
    with pytest.raises(BuildError, match=r"LARGE\.BIN: cannot be read: Input/output error"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]


def test_bytes_that_differ_under_the_same_size_and_time_end_the_build(
    top: Path, tmp_path: Path
) -> None:
    """Only for files that were digested before: those that have an equal one."""
    plan = planned(top)
    victim = next(c for c in plan.layout.contents if c.digest)
    path = Path(victim.path)
    before = path.stat()
    change(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    with pytest.raises(BuildError, match="other bytes were read"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]


def test_only_one_source_is_open_at_a_time(top: Path, tmp_path: Path) -> None:
    open_files = Path("/proc/self/fd")
    if os.name == "nt":
        pytest.skip("Windows does not list the files that a process has open by descriptor")
    if not open_files.exists():
        pytest.skip("/proc/self/fd tells which files are open; it is not here")
    most = 0

    def count_open(_: int) -> None:
        nonlocal most
        most = max(most, sum(str(top) in os.path.realpath(fd) for fd in open_files.iterdir()))

    build_disc(planned(top), tmp_path / "disc.iso", on_bytes=count_open)
    assert most == 1


# The output


def test_a_disc_that_does_not_read_back_gets_no_name(
    top: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One flipped byte anywhere in what was written is found before the disc has its name."""
    plan = planned(top)
    build_disc(plan, tmp_path / "disc.iso")  # the undamaged control
    data = (tmp_path / "disc.iso").read_bytes()
    (tmp_path / "disc.iso").unlink()
    real = write.read_back_disc
    places = [
        16 * 2048 + 40,  # the label
        struct.unpack("<I", data[16 * 2048 + 140 :][:4])[0] * 2048 + 2,
        plan.layout.iso[0].lba * 2048 + 70,
        plan.layout.joliet[-1].lba * 2048 + 40,
        plan.layout.contents[0].lba * 2048,
        plan.layout.contents[-1].lba * 2048 + plan.layout.contents[-1].size - 1,
    ]
    for place in places:

        def damaged(plan: DiscPlan, path: Path, place: int = place, **rest: object) -> None:
            with path.open("r+b") as stream:
                stream.seek(place)
                byte = stream.read(1)
                stream.seek(place)
                stream.write(bytes([byte[0] ^ 0xFF]))
            real(plan, path)

        monkeypatch.setattr(write, "read_back_disc", damaged)
        with pytest.raises(BuildError, match="did not read back"):
            build_disc(plan, tmp_path / "disc.iso")
        assert left_in(tmp_path) == ["top"]


@pytest.mark.skipif(os.name == "nt", reason="Windows limits no size of files a program writes")
def test_a_full_disk_leaves_nothing(top: Path, tmp_path: Path) -> None:
    """In a process of its own that may not write more than 64 KiB to a file."""
    code = (
        "import resource, signal, sys\n"
        "from pathlib import Path\n"
        "from mediashelf.building.planning.disc_plan import plan_disc\n"
        "from mediashelf.building.recipes.source_names import recipe_from_folders\n"
        "from mediashelf.building.writing.write import build_disc\n"
        "from mediashelf.errors import OutputError\n"
        "plan = plan_disc(recipe_from_folders([Path(sys.argv[1])]))\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))\n"
        "try:\n"
        "    build_disc(plan, Path(sys.argv[2]))\n"
        "except OutputError as error:\n"
        "    print(error)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(top), str(tmp_path / "disc.iso")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "cannot be written: File too large" in run.stdout
    assert left_in(tmp_path) == ["top"]


def test_an_interrupt_leaves_nothing(top: Path, tmp_path: Path) -> None:
    def stop(_: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        build_disc(planned(top), tmp_path / "disc.iso", on_bytes=stop)
    assert left_in(tmp_path) == ["top"]


def test_a_killed_build_leaves_no_disc_and_the_next_one_cleans_up(
    top: Path, tmp_path: Path
) -> None:
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from mediashelf.building.planning.disc_plan import plan_disc\n"
        "from mediashelf.building.recipes.source_names import recipe_from_folders\n"
        "from mediashelf.building.writing.write import build_disc\n"
        "plan = plan_disc(recipe_from_folders([Path(sys.argv[1])]))\n"
        f"die = lambda count: os.kill(os.getpid(), {int(signal.SIGKILL)})\n"
        "build_disc(plan, Path(sys.argv[2]), on_bytes=die)\n"
    )
    output = tmp_path / "disc.iso"
    run = subprocess.run([sys.executable, "-c", code, str(top), str(output)], check=False)
    # Windows has no signals; there a process ends with the number that it is given.
    assert run.returncode == (signal.SIGTERM if os.name == "nt" else -signal.SIGKILL)
    assert not output.exists()
    assert len(left_in(tmp_path)) == 2  # the sources and what the killed run left
    build_disc(planned(top), output)
    assert left_in(tmp_path) == ["disc.iso", "top"]


def test_an_older_disc_stays_when_the_build_fails(top: Path, tmp_path: Path) -> None:
    output = tmp_path / "disc.iso"
    output.write_bytes(b"older")
    plan = planned(top)
    vanish(top / "SETUP.EXE")
    with pytest.raises(BuildError, match="vanished"):
        build_disc(plan, output)
    assert output.read_bytes() == b"older"


def test_an_existing_file_is_replaced_only_when_that_is_wanted(top: Path, tmp_path: Path) -> None:
    output = tmp_path / "disc.iso"
    output.write_bytes(b"older")
    with pytest.raises(OutputError, match="exists already"):
        build_disc(planned(top), output, replace=False)
    assert output.read_bytes() == b"older"
    build_disc(planned(top), output)
    assert output.stat().st_size == planned(top).size


def test_the_disc_must_not_be_inside_its_sources(top: Path, tmp_path: Path) -> None:
    for output in (top / "disc.iso", top / "drivers" / "disc.iso"):
        with pytest.raises(OutputError, match="is inside"):
            build_disc(planned(top), output)
    link = tmp_path / "link"
    link.symlink_to(top)
    with pytest.raises(OutputError, match="is inside"):
        build_disc(planned(top), link / "disc.iso")
    assert "disc.iso" not in left_in(top)


def test_the_disc_must_not_take_the_place_of_what_is_no_file(top: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    for name in ("fifo", "dangling", "top"):
        with pytest.raises(OutputError):
            build_disc(planned(top), tmp_path / name)
    assert left_in(tmp_path) == ["dangling", "fifo", "top"]


def test_the_disc_must_not_take_the_place_of_its_boot_image(top: Path, tmp_path: Path) -> None:
    boot = tmp_path / "boot.img"
    boot.write_bytes(bytes(2048))
    plan = plan_disc(recipe_from_folders([top], boot=BootImage(boot)))
    with pytest.raises(OutputError, match="is made from"):
        build_disc(plan, boot)
    assert boot.read_bytes() == bytes(2048)


def test_a_folder_that_is_not_there_is_an_output_error(top: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"there is no folder .*; make it first"):
        build_disc(planned(top), tmp_path / "no such folder" / "disc.iso")


# Errors of the plan


def test_errors_of_the_plan_block_and_can_be_overridden(top: Path, tmp_path: Path) -> None:
    recipe = recipe_from_folders([top], capacity=parse_capacity("1 MiB"))
    plan = plan_disc(recipe)
    assert [finding.rule for finding in plan.findings] == ["over-capacity"]
    with pytest.raises(BlockedError, match="use --anyway"):
        build_disc(plan, tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]
    build_disc(plan, tmp_path / "disc.iso", anyway=True)
    assert (tmp_path / "disc.iso").stat().st_size == plan.size


def test_a_file_of_4_gib_cannot_be_forced(top: Path, tmp_path: Path) -> None:
    with (top / "HUGE.BIN").open("wb") as stream:
        stream.truncate(0xFFFFFFFF + 1)  # a hole: it takes no room
    plan = planned(top)
    found = next(finding for finding in plan.findings if finding.rule == "file-too-large")
    assert found.where == "/HUGE.BIN"
    with pytest.raises(BlockedError, match="cannot be overridden"):
        build_disc(plan, tmp_path / "disc.iso", anyway=True)
    assert left_in(tmp_path) == ["top"]


def test_a_disk_that_refuses_to_keep_the_disc_ends_the_build(
    top: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said to the flush that begins while the disc is read back; a later one may not hear of it."""

    def refuse(path: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(write, "flush_file", refuse)
    with pytest.raises(OutputError, match="cannot be written: Input/output error"):
        build_disc(planned(top), tmp_path / "disc.iso")
    assert left_in(tmp_path) == ["top"]
