"""INFs of a tree, what they offer to families, and packages without an INF."""

from __future__ import annotations

import pytest

from driver_examples import inf_text, make_tree
from mediashelf.drivers.packages.dos_packages import DosKind, find_dos_packages
from mediashelf.drivers.packages.families import FAMILIES, Family, choose_family
from mediashelf.drivers.packages.finding import (
    Fit,
    Package,
    find_packages,
    sections_to_check,
    suitability,
)
from mediashelf.drivers.packages.tree import PackageTree, Provides, TreeFile
from mediashelf.errors import InputError
from mediashelf.findings import Severity
from mediashelf.formats.inf.models import all_models
from mediashelf.formats.inf.systems import InfSystem

CHIP = "PCI\\VEN_F2C4&DEV_0301"


def package(text: str) -> Package:
    (found,) = find_packages(make_tree({"/LKV/lkv.inf": text})).packages
    return found


def fit(text: str, family: str | Family) -> Fit:
    row = FAMILIES[family] if isinstance(family, str) else family
    return suitability(package(text), row).fit


def test_infs_are_sorted_from_what_only_has_the_name() -> None:
    tree = make_tree(
        {
            "/b/LKV.INF": inf_text(CHIP),
            "/a/lkv.inf": inf_text(CHIP),
            "/AUTORUN.INF": "[autorun]\nopen=setup.exe\n",
            "/script.inf": "[Version]\nSignature=$Chicago$\n[DefaultInstall]\n",
            "/lkv.sys": b"MZ",
            "/notes.inf.txt": "x",
        }
    )
    seen: list[int] = []
    found = find_packages(tree, on_inf=seen.append)
    assert [one.path for one in found.packages] == ["/a/lkv.inf", "/b/LKV.INF"]
    assert [one.path for one in found.others] == ["/AUTORUN.INF", "/script.inf"]
    assert found.findings == ()
    assert sum(seen) == 4


def test_infs_that_cannot_be_read_are_findings() -> None:
    def read(file: TreeFile, limit: int) -> bytes:
        raise OSError("no such luck")

    files = (TreeFile("/a.inf", 10), TreeFile("/b.inf", 17 << 20))
    found = find_packages(PackageTree("d", "folder", files, read))
    assert [(one.rule, one.severity, one.where) for one in found.findings] == [
        ("inf-unreadable", Severity.ERROR, "/a.inf"),
        ("inf-too-large", Severity.WARNING, "/b.inf"),
    ]


@pytest.mark.parametrize(
    ("signature", "fits"),
    [
        ("$CHICAGO$", {"win9x": Fit.FITS, "nt5": Fit.FITS}),
        # From memory: these two are for one family each.
        ("$Windows NT$", {"win9x": Fit.SIGNATURE, "nt5": Fit.FITS}),
        ("$Windows 95$", {"win9x": Fit.FITS, "nt5": Fit.SIGNATURE}),
        ("$Nothing$", {"win9x": Fit.SIGNATURE, "nt5": Fit.SIGNATURE}),
    ],
)
def test_signatures_by_family(signature: str, fits: dict[str, Fit]) -> None:
    text = inf_text(CHIP, signature=signature)
    assert {family: fit(text, family) for family in fits} == fits
    assert fit(text, "dos") is Fit.NO_INFS


def test_models_for_other_systems_only() -> None:
    text = inf_text(CHIP, decorations=",NTamd64").replace("[Models]", "[Models.NTamd64]")
    assert fit(text, "nt5") is Fit.NO_MODELS
    assert fit(text, choose_family("nt5", release=(5, 2), architecture="amd64")) is Fit.FITS
    assert fit(text, "win9x") is Fit.NO_MODELS


def test_install_sections_for_other_systems_only() -> None:
    text = inf_text(CHIP).replace("[Install]", "[Install.NTx86]")
    assert fit(text, "win9x") is Fit.NO_INSTALL
    assert fit(text, "nt5") is Fit.FITS
    assert suitability(package(text), FAMILIES["nt5"]).offers[0].install == "Install.NTx86"


def test_an_inf_without_devices() -> None:
    assert fit(inf_text(), "win9x") is Fit.NO_DEVICES


def test_drivers_of_9x_systems_are_told_from_those_of_nt_systems() -> None:
    nine = inf_text(CHIP, copies="CopyFiles=@lkv.vxd,@lkv.drv", files="lkv.vxd=1\nlkv.drv=1")
    assert fit(nine, "win9x") is Fit.FITS
    assert fit(nine, "nt5") is Fit.FILES_OF_9X
    # Controls: a .sys file, a service, or a section for NT systems makes it theirs too.
    assert fit(nine.replace("@lkv.drv", "@lkv.sys"), "nt5") is Fit.FITS
    assert fit(nine + "[Install.Services]\r\nAddService=lkv\r\n", "nt5") is Fit.FITS
    assert fit(nine.replace("[Install]", "[Install.NT]"), "nt5") is Fit.FITS


def test_drivers_that_9x_systems_load_by_the_registry_are_not_for_nt_systems() -> None:
    """From memory: 9x systems load what NTMPDriver names, NT systems what a service is."""
    loaded = "[Add]\r\nHKR,,DevLoader,,*ntkern\r\nHKR,,NTMPDriver,,lkv.sys\r\n"
    nine = inf_text(CHIP, copies="CopyFiles=@lkv.sys\r\nAddReg=Add", more=loaded)
    assert fit(nine, "win9x") is Fit.FITS
    assert fit(nine, "nt5") is fit(nine, "nt4") is Fit.FILES_OF_9X
    # Controls: a service, or a section for NT systems; a loader of another kind tells nothing.
    assert fit(nine + "[Install.Services]\r\nAddService=lkv\r\n", "nt5") is Fit.FITS
    assert fit(nine + "[Install.NT]\r\nCopyFiles=@lkv.sys\r\n", "nt5") is Fit.FITS
    assert fit(nine.replace("NTMPDriver", "PortDriver"), "nt5") is Fit.FITS


def test_sections_to_check_for_a_family_without_infs() -> None:
    nine, nt = FAMILIES["win9x"].system, FAMILIES["nt5"].system

    def sections(text: str, family: str) -> tuple[InfSystem, tuple[str, ...]]:
        one, row = package(text), FAMILIES[family]
        return sections_to_check(one, row, suitability(one, row))

    both = inf_text(CHIP) + "[Install.NT]\r\nCopyFiles=@lkvnt.sys\r\n"
    assert sections(both, "dos") == (nine, ("Install",))
    assert sections(both, "nt5") == (nt, ("Install.NT",))
    only_nt = inf_text(CHIP, signature="$Windows NT$")
    assert sections(only_nt, "dos") == (nt, ("Install",))
    assert sections(only_nt, "win9x") == (nine, ())


DOS_DRIVER = b"\xff\xff\xff\xff\x00\x80"


def dos(tree: PackageTree, target: str = "dos") -> dict[str, tuple[DosKind, tuple[str, ...]]]:
    found = find_packages(tree)
    return {one.folder: (one.kind, one.files) for one in find_dos_packages(tree, found, target)}


def test_packages_without_an_inf() -> None:
    tree = make_tree(
        {
            "/CDUSB.SYS": DOS_DRIVER,
            "/SOUND/INSTALL.EXE": b"MZ",
            "/SOUND/QLA.SYS": DOS_DRIVER,
            "/NET/OTHER.SYS": b"MZ",
            "/DOCS/README.TXT": b"hello",
        }
    )
    assert dos(tree) == {
        "/": (DosKind.DRIVER, ("CDUSB.SYS",)),
        "/NET": (DosKind.SYSTEM_FILE, ("OTHER.SYS",)),
        "/SOUND": (DosKind.SETUP, ("INSTALL.EXE", "QLA.SYS")),
    }


def program(mark: bytes, at: int = 0x40) -> bytes:
    """The start of a program whose new header, with ``mark``, is at ``at``; at 0 it has none."""
    return b"MZ".ljust(0x3C, b"\0") + at.to_bytes(4, "little") + mark + bytes(20)


@pytest.mark.parametrize(
    ("head", "is_for_dos"),
    [
        (program(b"PE"), False),
        (program(b"NE"), False),
        (program(b"LE"), False),
        (program(b"LX"), False),
        (program(b"XX"), True),
        (program(b"PE", at=0), True),
        (program(b"PE", at=0x50), True),
        (DOS_DRIVER, True),
        (b"MZ", True),
        (b"text", True),  # a SYS file of DOS may begin with code
    ],
)
def test_drivers_of_windows_are_none_of_dos(head: bytes, is_for_dos: bool) -> None:
    """The marks of new headers, where 0x3C says: layouts from memory, as in the format modules."""
    tree = make_tree({"/NET/LAN.SYS": head})
    (package,) = [*find_dos_packages(tree, find_packages(tree), "dos", is_dos=True), None][:1]
    assert (package is not None) == is_for_dos


def test_folders_that_an_inf_speaks_of_are_not_packages_of_their_own() -> None:
    tree = make_tree(
        {
            "/LKV.INF": inf_text(CHIP, files="lkv.sys=1,sub", disks="1=d,,,\\drv"),
            "/drv/sub/lkv.sys": b"MZ",
            "/pack/qla.inf": inf_text("PCI\\VEN_F3D7&DEV_1600"),
            "/pack/deep/er/setup.exe": b"MZ",
            "/other/setup.exe": b"MZ",
            "/auto/autorun.inf": "[autorun]\n",
            "/auto/setup.exe": b"MZ",
        }
    )
    assert list(dos(tree)) == ["/auto", "/other"]


def test_declared_packages() -> None:
    tree = make_tree(
        {
            "/TLAN/NDIS/TLAN.SYS": DOS_DRIVER,
            "/TLAN/README.TXT": b"x",
            "/QLA/PLAY.EXE": b"MZ",
            "/QLA/QLA.INF": inf_text(CHIP),
            "/EMPTY/TLAN.SYS": b"",
        },
        hidden={"/QLA/PLAY.EXE": "/Quillon Audio/play.exe"},
        provides=(
            Provides("/TLAN", ("PCI\\VEN_F4B9&DEV_0100",), ("dos",)),
            Provides("quillon audio/", ("PCI\\VEN_F3D7&DEV_1600",)),
            Provides("/none", ("PCI\\VEN_F7D3&DEV_0056",)),
            Provides("/EMPTY", ("PCI\\VEN_F7D3&DEV_0057",)),
        ),
    )
    assert dos(tree) == {
        "/TLAN": (DosKind.DECLARED, ("TLAN.SYS",)),
        "/QLA": (DosKind.DECLARED, ()),
    }
    # The first is declared for another target only.
    assert dos(tree, "win9x") == {
        "/TLAN/NDIS": (DosKind.DRIVER, ("TLAN.SYS",)),
        "/QLA": (DosKind.DECLARED, ()),
    }


def test_our_own_index_page_is_no_text_of_the_maker() -> None:
    """A file of that name that somebody else wrote is."""
    for start, texts in (
        (b"What is on DRIVERS\r\n", ()),
        (b"", ()),  # as it is in a plan
        (b"Larkspur Video 3\r\n", ("INDEX.TXT",)),
    ):
        tree = make_tree({"/LKV.SYS": b"\xff\xff\xff\xffdriver", "/INDEX.TXT": start})
        (package,) = find_dos_packages(tree, find_packages(tree), "dos", is_dos=True)
        assert package.texts == texts


def lasting_tree(folder: str, contents: dict[str, bytes]) -> PackageTree:
    """A tree whose files can be read again at any time, as those of a folder."""

    def read(file: TreeFile, limit: int) -> bytes:
        if file.path not in contents:
            raise InputError(f"{file.path}: vanished")
        return contents[file.path][:limit]

    files = tuple(TreeFile(path, len(data)) for path, data in contents.items())
    return PackageTree(folder, "folder", files, read, lasting=lambda file: (folder, file.path))


def test_a_text_is_read_again_from_wherever_it_still_is() -> None:
    text = inf_text(CHIP, f"{CHIP}&SUBSYS_0001F2C4").encode()
    contents = {name: {"/a.inf": text} for name in ("first", "last")}
    founds = [find_packages(lasting_tree(name, each)) for name, each in contents.items()]
    (first,), (last,) = (found.packages for found in founds)
    assert first.inf is last.inf  # one text, parsed once
    del contents["last"]["/a.inf"]
    assert next(all_models(last.inf)).hardware_id == CHIP


def test_a_text_that_changed_since_is_told() -> None:
    contents = {"/a.inf": inf_text(CHIP, "*LKV0007").encode()}
    (found,) = find_packages(lasting_tree("changing", contents)).packages
    contents["/a.inf"] = contents["/a.inf"].replace(b"*LKV0007", b"*LKV0008")
    with pytest.raises(InputError, match=r"/a\.inf: changed while it was looked at"):
        list(all_models(found.inf))
