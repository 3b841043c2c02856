"""The disc that is built appears whole or not at all, and replaces nothing by accident."""

from __future__ import annotations

import errno
import os
import signal
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from built_tree import left_in, planned, vanish
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.capacity import parse_capacity
from mediashelf.building.recipes.recipe import BootImage
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing import write
from mediashelf.building.writing.write import build_disc
from mediashelf.errors import BlockedError, BuildError, OutputError


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
