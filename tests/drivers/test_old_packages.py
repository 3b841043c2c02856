"""Packages in older forms, and those of DOS: listed as what they are, judged where that can be."""

from __future__ import annotations

from driver_examples import inf_text, make_tree
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.devices import device_from_ids
from mediashelf.drivers.packages.dos_packages import DosKind, find_dos_packages
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.old_packages import OldKind, OldPackage, find_old_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.surveying import survey
from mediashelf.findings import Severity

# "TxtSetup.oem File Format": remarks with # or ;, disks with tag file and directory from
# the root, files as disk's directory and name.
TXTSETUP = """\
# Mossgate
[Disks]
d1 = "Mossgate SCSI; disk", \\mgscsi.tag, \\nt   ; the only one
[Defaults]
scsi = MGS3
[scsi]
MGS3 = "Mossgate SCSI 3, wide", mgs3
[Files.scsi.MGS3]
driver = d1, mgs3.sys, MGS3
inf = d1, mgs3.inf
[HardwareIds.scsi.MGS3]
id = "PCI\\ven_f6e2&dev_3000", "mgs3"
[Config.MGS3]
value = "", Tag, REG_DWORD, 1
"""


def old(tree: PackageTree) -> list[OldPackage]:
    return find_old_packages(tree, find_packages(tree))


def test_a_driver_disk_for_text_mode_setup() -> None:
    files: dict[str, str | bytes] = {
        "/MGS/TXTSETUP.OEM": TXTSETUP,
        "/MGS/mgscsi.tag": b"",
        "/MGS/nt/mgs3.sys": b"x",
        "/MGS/nt/MGS3.IN_": b"x",
    }
    (package,) = old(make_tree(files))
    assert (package.kind, package.names) == (OldKind.TEXT_SETUP, ("Mossgate SCSI 3, wide",))
    assert package.identifiers == ("PCI\\VEN_F6E2&DEV_3000",)
    assert package.files == ("nt/mgs3.sys", "nt/mgs3.inf")
    assert (package.missing, package.state_words) == ((), "complete")
    del files["/MGS/nt/mgs3.sys"], files["/MGS/mgscsi.tag"]
    (package,) = old(make_tree(files))
    assert package.state_words == "lacks nt/mgs3.sys, mgscsi.tag"
    # A file without bytes, or a compressed one that ends too soon, is not there.
    cut = b"KWAJ\x88\xf0\x27\xd1\0\0\x12\0\1\0" + (9).to_bytes(4, "little") + b"x"
    files |= {"/MGS/nt/mgs3.sys": b"", "/MGS/nt/MGS3.IN_": cut, "/MGS/mgscsi.tag": b""}
    (package,) = old(make_tree(files))
    assert package.state_words == "lacks nt/mgs3.sys (cut short), nt/mgs3.inf (cut short)"
    (package,) = old(make_tree({"/TXTSETUP.OEM": b"what is this"}))
    assert package.state_words == "cannot be judged"


def test_scripts_of_nt_systems_cannot_be_judged() -> None:
    script = "[Identification]\nOptionType = NetAdapter\n[Options]\nTLAN\n"
    (package,) = old(make_tree({"/OEMSETUP.INF": script}))
    assert (package.kind, package.missing) == (OldKind.SCRIPT, None)
    assert package.state_words == "cannot be judged"


def test_oemsetup_of_windows_3() -> None:
    # Windows 3.1 SDK: [disks] 1 = ., "title"; files written disk:file.
    text = (
        '[disks]\n1 = ., "Quillon disk"\n[Installable.Drivers]\n'
        'qla = 1:qla.drv,"wave,midi","Quillon 16","1:vqla.386"\n'
    )
    files: dict[str, str | bytes] = {"/Q/OEMSETUP.INF": text, "/Q/QLA.DRV": b"x"}
    (package,) = old(make_tree(files))
    assert (package.kind, package.files) == (OldKind.WINDOWS_3, ("qla.drv", "vqla.386"))
    assert package.missing == ("vqla.386",)


def test_other_texts_are_none_of_these() -> None:
    tree = make_tree({"/autorun.inf": "[autorun]\nopen=x\n", "/l/lkv.inf": inf_text("PCI\\X")})
    assert old(tree) == []


def windows_program(mark: bytes) -> bytes:
    return b"MZ" + bytes(58) + (64).to_bytes(4, "little") + mark + bytes(20)


def test_dos_has_every_program_that_it_can_load_whatever_infs_say() -> None:
    tree = make_tree(
        {
            "/TLAN/TLAN.INF": inf_text("PCI\\VEN_F4B9&DEV_0100"),
            "/TLAN/TLAN.DOS": b"MZ",
            "/TLAN/NETBIND.COM": b"x",
            "/TLAN/SET16.EXE": b"MZ" + bytes(70),
            "/TLAN/PANEL.EXE": windows_program(b"PE"),
            "/TLAN/TLANNT.SYS": windows_program(b"PE"),
            "/TLAN/TLAN.SYS": b"\xff\xff\xff\xff\0\x80",
            "/TLAN/EMPTY.COM": b"",
            "/TLAN/README.1ST": b"x",
            "/TLAN/LICENCE.TXT": b"x",
            "/WIN/LKV.SYS": windows_program(b"PE"),
        }
    )
    (package,) = find_dos_packages(tree, find_packages(tree), "dos", is_dos=True)
    assert (package.folder, package.kind) == ("/TLAN", DosKind.DRIVER)
    assert package.files == ("NETBIND.COM", "SET16.EXE", "TLAN.DOS", "TLAN.SYS")
    assert package.texts == ("LICENCE.TXT", "README.1ST")
    others = find_dos_packages(tree, find_packages(tree), "win9x")
    assert [one.folder for one in others] == ["/WIN"]


def test_a_device_that_only_a_disk_for_text_mode_setup_names() -> None:
    tree = make_tree(
        {"/MGS/TXTSETUP.OEM": TXTSETUP, "/MGS/mgscsi.tag": b"", "/MGS/nt/mgs3.sys": b"x"}
    )
    founds = [(tree, find_packages(tree))]
    devices = [device_from_ids(["PCI\\VEN_F6E2&DEV_3000&REV_01"])]
    for name, severity in (("nt5", Severity.WARNING), ("nt6", Severity.ERROR)):
        result = survey(founds, FAMILIES[name], name, devices)
        assert [verdict.words for verdict in result.verdicts] == ["none"]
        (finding,) = [one for one in check_survey(result) if one.rule == "device-without-driver"]
        assert finding.severity is severity
        assert ("lacks nt/mgs3.inf" in finding.message) == (name == "nt5")
    # Its folder is told once.
    assert find_dos_packages(*founds[0], "nt5") == []
