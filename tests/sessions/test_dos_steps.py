"""Does DOS have a drive letter for a disc? What boot floppies load, and what each step says."""

from __future__ import annotations

import pytest

from make_floppy import make_floppy
from make_image import Boot, make_iso
from make_raw import mode_1_image
from mediashelf.sessions.discs.boot_floppy import CdStart, parse_start_files
from mediashelf.sessions.discs.dos_steps import RULE, TRY_RULE
from mediashelf.sessions.manifests.parts import OpenFinding
from session_bench import DRIVER_DISC, SYSTEM_DISC, Bench, noise

# The two files as Microsoft KB Q135174 describes them, with invented names.
CONFIG = "FILES=30\r\nDEVICE=A:\\USBDISC.SYS /V\r\nDEVICEHIGH=A:\\KIOSKCD.SYS /D:KIOSKCD1 /N:1\r\n"
AUTOEXEC = "@ECHO OFF\r\nPROMPT $P$G\r\nLH A:\\REDIRECT.EXE /D:kioskcd1 /L:R\r\n"


@pytest.mark.parametrize(
    ("config", "autoexec", "names"),
    [
        (CONFIG, AUTOEXEC, ("KIOSKCD1",)),
        (CONFIG + "INSTALL=A:\\REDIRECT.EXE /D:KIOSKCD1", "", ("KIOSKCD1",)),
        (f"[MENU]\nMENUITEM=CD\n[CD]\n  {CONFIG}", AUTOEXEC, ("KIOSKCD1",)),
        ("device /l:1,2 = cd.sys /d:one\nDEVICE=x /D:TWO", "a /D:ONE\nb /D:TWO", ("ONE", "TWO")),
        (CONFIG, "", ()),
        ("", AUTOEXEC, ()),
        (CONFIG, AUTOEXEC.replace("kioskcd1", "OTHER"), ()),
        (f"REM {CONFIG}".replace("DEVICEHIGH", "REM DEVICEHIGH"), AUTOEXEC, ()),
        (CONFIG, AUTOEXEC.replace("LH", "REM LH"), ()),
        (CONFIG, "ECHO start it with /D:KIOSKCD1", ()),
        (CONFIG.replace("/D:", "/DD:"), AUTOEXEC, ()),
    ],
)
def test_both_programs_must_be_loaded_under_one_name(
    config: str, autoexec: str, names: tuple[str, ...]
) -> None:
    assert parse_start_files(config, autoexec).names == names


def floppy(*, config: str = CONFIG, autoexec: str = AUTOEXEC) -> bytes:
    return make_floppy({"CONFIG.SYS": config.encode(), "AUTOEXEC.BAT": autoexec.encode()})


def boot_disc(bench: Bench, image: bytes) -> bytes:
    files = {"SETUP.EXE": noise("setup", 100_000)}
    data = make_iso(
        files, label="KIOSK_SYSTEM", joliet=3, boot=Boot(image=image, media=2, sectors=1)
    ).data
    bench.system.write_bytes(data)
    return data


def rows(bench: Bench, anyway: bool = False) -> dict[int, OpenFinding]:
    return {
        disc.position: row
        for disc in bench.prepare(anyway=anyway).manifest.discs
        for row in disc.open_findings
        if row.rule in (RULE, TRY_RULE)
    }


DOS_DRIVERS = f'{DRIVER_DISC}\ntargets = ["dos", "win9x"]'


def test_a_floppy_that_loads_both_helps_later_discs(bench: Bench) -> None:
    boot_disc(bench, floppy())
    bench.write_plan(SYSTEM_DISC, DOS_DRIVERS)
    found = rows(bench)
    assert found[1].severity == found[2].severity == "note"
    assert "for the drive KIOSKCD1" in found[1].message
    assert (found[1].target, found[2].target) == ("win9x", "dos")
    assert (found[1].rule, found[2].rule) == (TRY_RULE, RULE)  # the one is tried at the desk
    assert "inside disc 1 loads one" in found[2].message


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"config": "FILES=30"}, "loads no CD driver"),
        ({"autoexec": ""}, "loads a CD driver (KIOSKCD1), and no redirector of that name"),
    ],
)
def test_a_floppy_that_lacks_one_of_them_is_a_warning(
    bench: Bench, changes: dict[str, str], problem: str
) -> None:
    boot_disc(bench, floppy(**changes))
    bench.write_plan(SYSTEM_DISC, DOS_DRIVERS)
    found = rows(bench)
    assert found[1].severity == found[2].severity == "warning"
    assert problem in found[1].message
    assert "no disc of this session loads them" in found[2].message


def test_a_floppy_that_cannot_be_looked_into_is_said(bench: Bench) -> None:
    bench.write_plan(SYSTEM_DISC)  # the floppy of the bench's system disc is noise
    assert rows(bench)[1].severity == "note"
    assert "no readable volume" in rows(bench)[1].message


def test_other_systems_are_not_bothered(bench: Bench) -> None:
    boot_disc(bench, floppy(config=""))
    bench.write_plan(f'{SYSTEM_DISC}\ntargets = ["nt5"]', DRIVER_DISC)
    assert rows(bench, anyway=True) == {}


def test_the_floppy_of_a_recipe_and_of_a_raw_image_are_looked_into(bench: Bench) -> None:
    (bench.folder / "boot.img").write_bytes(floppy())
    recipe = bench.folder / "drivers.toml"
    recipe.write_text('boot = "boot.img"\n' + recipe.read_text())
    (bench.folder / "library" / "raw.bin").write_bytes(mode_1_image(boot_disc(bench, floppy())))
    bench.write_plan('recipe = "drivers.toml"', 'image = "library/raw.bin"')
    found = rows(bench)
    assert [found[position].severity for position in (1, 2)] == ["note", "note"]
    assert "KIOSKCD1" in found[1].message
    assert "KIOSKCD1" in found[2].message


def test_nothing_is_known_of_a_floppy_that_is_none() -> None:
    assert CdStart(is_readable=False).names == ()
