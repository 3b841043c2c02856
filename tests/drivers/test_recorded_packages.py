"""What the catalogue keeps of packages: as much as a tree tells, and the bounds of that."""

from __future__ import annotations

import pytest

from driver_examples import inf_text, make_tree
from mediashelf.drivers import recorded, recorded_others
from mediashelf.drivers.packages.dos_packages import DosKind
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import Fit, find_packages
from mediashelf.drivers.packages.old_packages import OldKind
from mediashelf.drivers.recorded import EVERY_SYSTEM, KeptPackage, keep_packages
from mediashelf.drivers.recorded_others import KeptOther, identifiers_in, keep_others
from mediashelf.formats.inf.systems import ARCHITECTURES

VIDEO = "PCI\\VEN_F2C4&DEV_0301"
LINK = b"\xff\xff\xff\xff\0\x80"  # how a driver for DOS begins


def kept(files: dict[str, str | bytes]) -> list[KeptPackage]:
    tree = make_tree(files)
    return list(keep_packages(tree, find_packages(tree)))


def others(files: dict[str, str | bytes]) -> list[KeptOther]:
    tree = make_tree(files)
    return list(keep_others(tree, find_packages(tree)))


def test_a_driver_for_dos_is_kept_with_the_chips_that_its_files_name() -> None:
    driver = LINK + b"for F2C4:0301 and pci\\ven_f3d7&dev_1600, not 1f2c4:0301 or f2c4:03011"
    assert others({"/lkv/LKV.SYS": driver, "/lkv/READ.TXT": b"*qln0031 *qln00312"}) == [
        KeptOther(
            "dos",
            "/lkv",
            DosKind.DRIVER.value,
            files=("LKV.SYS", "READ.TXT"),
            identifiers=(VIDEO, "PCI\\VEN_F3D7&DEV_1600", "*QLN0031"),
        )
    ]


def test_a_driver_disk_of_old_nt_systems_is_kept_with_what_it_lacks() -> None:
    text = (
        '[Disks]\nd1 = "Mossgate", \\m.tag, \\nt\n[scsi]\nM3 = "Mossgate SCSI 3"\n'
        "[Files.scsi.M3]\ndriver = d1, m3.sys, M3\ninf = d1, m3.inf\n"
        '[HardwareIds.scsi.M3]\nid = "PCI\\VEN_F6E2&DEV_3000", "m3"\n'
    )
    found = others({"/m/TXTSETUP.OEM": text, "/m/m.tag": b"", "/m/nt/m3.sys": b"x"})
    assert [one for one in found if one.kind == "old"] == [
        KeptOther(
            "old",
            "/m/TXTSETUP.OEM",
            OldKind.TEXT_SETUP.value,
            names=("Mossgate SCSI 3",),
            files=("nt/m3.sys", "nt/m3.inf"),
            identifiers=("PCI\\VEN_F6E2&DEV_3000",),
            missing=("nt/m3.inf",),
        )
    ]


@pytest.mark.parametrize("most", [1, 2, 3])
def test_of_very_many_identifiers_so_many_are_kept(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded_others, "MOST_NAMED", most)
    monkeypatch.setattr(recorded_others, "MOST_FILES", most)
    named = b"f2c4:0301 f2c4:0302 f2c4:0303"
    files: dict[str, str | bytes] = {f"/l/{n}.SYS": LINK + named for n in "ABC"}
    (one,) = others(files)
    assert one.identifiers == tuple(f"PCI\\VEN_F2C4&DEV_030{n + 1}" for n in range(most))
    assert one.files == ("A.SYS", "B.SYS", "C.SYS")[:most]


def test_identifiers_are_looked_for_in_bytes() -> None:
    data = b"\0VEN_f2c4&DEV_0301\0 a f2c4:0302 f2c4:0303:04 x:f2c4:0304 *PNP05011 *pnp0501."
    assert list(identifiers_in(data)) == [VIDEO, "PCI\\VEN_F2C4&DEV_0302", "*PNP0501"]


def test_every_system_is_every_family_with_its_releases_and_processors() -> None:
    counted = sum(
        len(family.releases) * len(ARCHITECTURES) or 1
        for family in FAMILIES.values()
        if family.takes_infs
    )
    assert len(EVERY_SYSTEM) == len(dict(EVERY_SYSTEM)) == counted
    assert "dos" not in dict(EVERY_SYSTEM)
    for _, family in EVERY_SYSTEM:
        assert family.takes_infs


def test_every_system_has_one_view() -> None:
    """Signatures from memory: this one is for 9x systems alone."""
    (package,) = kept({"/l/lkv.inf": inf_text(VIDEO, signature="$Windows 95$"), "/l/lkv.sys": b"x"})
    named = [key for view in package.views for key in view.systems]
    assert sorted(named) == sorted(dict(EVERY_SYSTEM))
    fits = {key: view.fit for view in package.views for key in view.systems}
    assert {key for key, fit in fits.items() if fit is Fit.FITS} == {"win9x"}
    assert set(fits.values()) == {Fit.FITS, Fit.SIGNATURE}


@pytest.mark.parametrize(
    ("section", "systems"),
    [
        ("[Install.NTamd64]\r\nCopyFiles=@only64.sys", "amd64"),
        ("[Install.NTia64]\r\nCopyFiles=@only64.sys", "ia64"),
    ],
)
def test_a_section_for_one_processor_is_a_view_of_its_own(section: str, systems: str) -> None:
    # INF DDInstall section: .NTamd64 is read before the plain section by that system alone.
    text = inf_text(VIDEO, more=section, files="lkv.sys=1\r\nonly64.sys=1")
    (package,) = kept({"/l/lkv.inf": text, "/l/lkv.sys": b"x"})
    lacking = {
        key
        for view in package.views
        for key in view.systems
        if any("only64.sys" in name for install in view.installs for name in install.missing)
    }
    assert lacking
    assert {key.partition("/")[2] for key in lacking} == {systems}
    assert package.files == ("/l/lkv.inf", "/l/lkv.sys")


@pytest.mark.parametrize(("most", "models", "is_cut"), [(4, 2, False), (3, 1, True), (5, 2, False)])
def test_identifiers_of_a_package_are_bounded(
    most: int, models: int, is_cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "MOST_IDENTIFIERS", most)
    text = inf_text(f"{VIDEO},PCI\\A", "PCI\\VEN_F2C4&DEV_0302,PCI\\B")
    (package,) = kept({"/l/lkv.inf": text, "/l/lkv.sys": b"x"})
    assert (len(package.models), package.is_cut) == (models, is_cut)


@pytest.mark.parametrize(("most", "is_cut"), [(1, True), (2, False), (3, False)])
def test_paths_of_a_package_are_bounded(
    most: int, is_cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorded, "MOST_FILES", most)
    (package,) = kept({"/l/lkv.inf": inf_text(VIDEO), "/l/lkv.sys": b"x"})
    assert (package.files, package.is_cut) == (("/l/lkv.inf", "/l/lkv.sys")[:most], is_cut)


def test_needed_files_that_are_looked_for_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    files: dict[str, str | bytes] = {"/l/lkv.inf": inf_text(VIDEO), "/l/lkv.sys": b"x"}
    assert not kept(files)[0].is_cut
    monkeypatch.setattr(recorded, "MOST_CHECKED", 0)
    (package,) = kept(files)
    assert package.is_cut
    assert [len(view.installs) for view in package.views].count(1) == 1
