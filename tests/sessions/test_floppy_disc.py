"""A boot floppy in a plan becomes a disc that starts as the floppy does."""

from __future__ import annotations

from pathlib import Path

import pytest

from make_floppy import FORMATS, make_floppy
from mediashelf.errors import FormatError, InputError, SessionPlanError
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image
from mediashelf.sessions.plans.session_plan import load_plan
from session_bench import DRIVER_DISC, LATER, Bench, make_bench

FLOPPY_DISC = 'floppy = "boot.ima"\ntargets = ["dos"]\npurpose = "Start DOS"'
CONFIG = "DEVICE=A:\\KIOSKCD.SYS /D:KIOSKCD1\r\n"
AUTOEXEC = "A:\\REDIRECT.EXE /D:KIOSKCD1\r\n"
FILES = {"CONFIG.SYS": CONFIG.encode(), "AUTOEXEC.BAT": AUTOEXEC.encode()}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = make_bench(tmp_path)
    (tmp_path / "boot.ima").write_bytes(make_floppy(FILES))
    return bench


@pytest.mark.parametrize("size", FORMATS)
def test_the_disc_starts_with_the_floppys_bytes(bench: Bench, size: int) -> None:
    floppy = make_floppy(FILES, size=size)
    (bench.folder / "boot.ima").write_bytes(floppy)
    bench.write_plan(FLOPPY_DISC)
    (disc,) = bench.prepare().manifest.discs
    assert (disc.label, disc.origin.how, disc.origin.name) == ("boot", "built", "boot.ima")
    assert disc.boot[0].method == {1_228_800: "floppy-1.2MB", 1_474_560: "floppy-1.44MB"}.get(
        size, "floppy-2.88MB"
    )
    assert disc.erases
    with open_image(bench.card / disc.path) as image:
        assert image.facts.boot is not None
        (entry,) = image.facts.boot.entries
        assert image.view.read(entry.load_lba * 2048, size) == floppy
        assert image.facts.volume(VolumeKind.ISO9660) is not None


def test_what_it_loads_counts_for_the_discs_after_it(bench: Bench) -> None:
    bench.write_plan(
        FLOPPY_DISC, f'{DRIVER_DISC}\ntargets = ["dos"]'.replace("library/system.iso", "boot.ima")
    )
    first, second = bench.prepare().manifest.discs
    assert "loads a CD driver and the redirector" in first.open_findings[0].message
    (row,) = (one for one in second.open_findings if one.rule == "cd-driver-is-loaded-first")
    assert row.severity == "note"
    assert "A: is on that disc" in row.remedy


def test_the_same_floppy_gives_the_same_disc_and_is_kept(bench: Bench) -> None:
    bench.write_plan(FLOPPY_DISC)
    bench.prepare()
    before, places = bench.on_card(), bench.inodes()
    bench.prepare(created=LATER)
    assert bench.on_card() == before
    assert bench.inodes() == places


@pytest.mark.parametrize("size", [0, 737_280, 1_474_559, 1_720_320])
def test_a_size_that_firmware_does_not_know_is_refused(bench: Bench, size: int) -> None:
    (bench.folder / "boot.ima").write_bytes(bytes(size))
    bench.write_plan(FLOPPY_DISC)
    with pytest.raises(FormatError, match=r"1,228,800, 1,474,560 or 2,949,120 bytes"):
        bench.prepare()
    assert bench.on_card() == {}


def test_a_floppy_that_is_not_there_gives_way_to_another_source(bench: Bench) -> None:
    (bench.folder / "other.ima").write_bytes(make_floppy(FILES))
    bench.write_plan('floppy = "none.ima"\ntargets = ["dos"]\nor = [{ floppy = "other.ima" }]')
    (disc,) = bench.prepare().manifest.discs
    assert disc.origin.name == "other.ima"
    bench.write_plan('floppy = "none.ima"')
    with pytest.raises((SessionPlanError, InputError), match=r"none\.ima does not exist"):
        bench.prepare()


@pytest.mark.parametrize(("mark", "count"), [(b"\x55\xaa", 0), (b"\xaa\x55", 1), (b"\0\0", 1)])
def test_a_floppy_that_does_not_start_is_said(bench: Bench, mark: bytes, count: int) -> None:
    floppy = make_floppy(FILES)
    (bench.folder / "boot.ima").write_bytes(floppy[:510] + mark + floppy[512:])
    bench.write_plan(FLOPPY_DISC)
    (disc,) = bench.prepare().manifest.discs
    found = [one for one in disc.open_findings if one.rule == "floppy-starts"]
    assert [one.severity for one in found] == ["note"] * count


def test_the_key_is_one_of_four(bench: Bench) -> None:
    bench.write_plan(f'{FLOPPY_DISC}\nimage = "library/system.iso"')
    with pytest.raises(SessionPlanError, match="says image and floppy, expected exactly one"):
        load_plan(bench.plan)
