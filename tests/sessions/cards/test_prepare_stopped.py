"""Cards that fill up, runs that are killed: nothing half done, and the next run completes."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from mediashelf.errors import BlockedError, StagingError
from mediashelf.findings import Severity
from mediashelf.sessions.cards.confirm import check_card
from mediashelf.sessions.manifests.manifest import read_manifest
from session_bench import Bench, make_bench, noise

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs signals and mounts of POSIX")

THEIRS = {"holiday.jpg": b"mine", "03-Y7H-SLIDES.ISO": b"my own slides"}


def command(bench: Bench, *options: str) -> list[str]:
    # Slow the digesting of what is read down a little, so that a kill can hit every phase.
    code = (
        "import time\n"
        "from mediashelf.sessions.discs import served_bytes\n"
        "read = served_bytes._read\n"
        "served_bytes.CHUNK = 1 << 17\n"
        "served_bytes._read = lambda *place: time.sleep(0.004) or read(*place)\n"
        "from mediashelf.cli.main import main\n"
        "main()\n"
    )
    prepare = ["prepare", str(bench.plan), "--to", str(bench.card), *options]
    return [sys.executable, "-c", code, *prepare]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = make_bench(tmp_path)
    for name, data in THEIRS.items():
        (bench.card / name).write_bytes(data)
    return bench


def assert_nothing_is_half_done(bench: Bench, known: set[str]) -> None:
    """Every image under a final name is whole, and everything of others is as it was."""
    for name, data in bench.on_card().items():
        if name in THEIRS:
            assert data == THEIRS[name]
        elif name.endswith(".iso"):
            assert hashlib.sha256(data).hexdigest() in known, f"{name} is not whole"
    if (bench.card / "manifest.json").exists():
        read_manifest(bench.card / "manifest.json")


def wanted_digests(bench: Bench, scratch: Path) -> set[str]:
    """The digests of the three images as an undisturbed run puts them on another card."""
    scratch.mkdir()
    subprocess.run(
        [*command(bench, "-q")[:-2], str(scratch), "-q"], check=True, capture_output=True
    )
    return {hashlib.sha256(path.read_bytes()).hexdigest() for path in scratch.glob("*.iso")}


def test_killed_at_random_moments_the_next_run_completes(bench: Bench, tmp_path: Path) -> None:
    start = time.monotonic()
    known = wanted_digests(bench, tmp_path / "scratch")
    whole_run = time.monotonic() - start
    assert len(known) == 3
    chance = random.Random(7)
    moments = [whole_run * chance.uniform(0.3, 1.0) for _ in range(10)]
    for round_number, moment in enumerate(moments):
        if round_number % 4 == 0:  # start again on a card that is ours but empty of images
            for path in bench.card.iterdir():
                if path.name not in THEIRS:
                    path.unlink()
        run = subprocess.Popen(command(bench), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(moment)
        run.kill()
        run.wait()
        assert_nothing_is_half_done(bench, known)
    done = subprocess.run(command(bench, "--tidy"), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert_nothing_is_half_done(bench, known)
    assert not list(bench.card.glob(".*"))
    manifest = read_manifest(bench.card / "manifest.json")
    assert [disc.path for disc in manifest.discs] == [
        "01-K4E-KIOSK-SYSTEM.iso",
        "02-X2C-KIOSKDRV.iso",
        "03-Y7H-SLIDES-2.iso",
    ]
    findings = list(check_card(manifest, bench.card))
    assert max(one.severity for one in findings) is Severity.NOTE  # the files of others


def test_stopped_by_ctrl_c_nothing_partial_stays(bench: Bench) -> None:
    run = subprocess.Popen(
        command(bench), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    deadline = time.monotonic() + 20
    while not list(bench.card.glob(".01-*partial")) and time.monotonic() < deadline:
        time.sleep(0.002)
    run.send_signal(signal.SIGINT)
    _, errors = run.communicate(timeout=20)
    assert run.returncode == 130
    assert "Stopped" in errors
    assert "Traceback" not in errors
    assert not list(bench.card.glob("*partial"))
    assert set(bench.on_card()) - {".mediashelf-staging.json", "01-K4E-KIOSK-SYSTEM.iso"} == set(
        THEIRS
    )


@pytest.fixture
def small_card(bench: Bench) -> Iterator[Bench]:
    """The card is a file system of its own with room for two of the three discs."""
    if os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("needs root and mount to make a small file system")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3700k", "tmpfs", str(bench.card)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip("this system does not let tests mount a file system")
    try:
        (bench.card / "holiday.jpg").write_bytes(THEIRS["holiday.jpg"])
        yield bench
    finally:
        subprocess.run(["umount", str(bench.card)], check=True)


def test_a_card_without_room_blocks_before_copying(small_card: Bench) -> None:
    with pytest.raises(BlockedError):
        small_card.prepare()
    assert set(small_card.on_card()) == {"holiday.jpg"}


def test_a_card_that_fills_up_keeps_what_is_whole(small_card: Bench) -> None:
    with pytest.raises(StagingError, match="the card is full; no part of this disc was left"):
        small_card.prepare(anyway=True)
    assert small_card.images_on_card() == ["01-K4E-KIOSK-SYSTEM.iso", "02-X2C-KIOSKDRV.iso"]
    assert not list(small_card.card.glob("*partial"))
    assert small_card.on_card()["holiday.jpg"] == THEIRS["holiday.jpg"]
    # With the slides out of the plan the same card is right, and nothing is copied again.
    small_card.plan.write_text(small_card.plan.read_text().rpartition("[[disc]]")[0])
    prepared = small_card.prepare(anyway=True)
    assert prepared.session.arrangement.write_size == 0
    (finding,) = check_card(prepared.manifest, small_card.card)
    assert finding.rule == "card-extra-files"


def test_tidying_makes_the_room_that_is_needed(small_card: Bench) -> None:
    plan = small_card.plan.read_text()
    small_card.plan.write_text(plan.rpartition("[[disc]]")[0])
    small_card.prepare(anyway=True)
    (small_card.folder / "library" / "large.iso").write_bytes(
        small_card.slides.read_bytes() + bytes(2048 * 700)
    )
    small_card.write_plan('image = "library/large.iso"')
    with pytest.raises(BlockedError):
        small_card.prepare()
    prepared = small_card.prepare(tidy=True, anyway=True)  # the image has trailing data
    assert [file.path for file in prepared.tidied] == [
        "01-K4E-KIOSK-SYSTEM.iso",
        "02-X2C-KIOSKDRV.iso",
    ]
    assert small_card.images_on_card() == ["01-Y7H-SLIDES.iso"]


def test_a_card_that_is_read_only_is_named(bench: Bench) -> None:
    if os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("needs root and mount to make a read-only file system")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "ro", "tmpfs", str(bench.card)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip("this system does not let tests mount a file system")
    try:
        with pytest.raises(StagingError, match="cannot be written to; check the card's lock"):
            bench.prepare()
    finally:
        subprocess.run(["umount", str(bench.card)], check=True)


def test_without_a_temporary_folder_a_recipe_is_built_on_the_card(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.prepare()
    monkeypatch.setattr(tempfile, "tempdir", str(bench.folder / "none"))
    prepared = bench.prepare()
    assert [step.action.value for step in prepared.session.arrangement.discs] == [
        "keep",
        "build",
        "keep",
    ]
    assert noise("LKVX3.VXD", 400_000) in bench.on_card()["02-X2C-KIOSKDRV.iso"]
