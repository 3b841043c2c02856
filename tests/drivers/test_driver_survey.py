"""A whole survey: the invented kiosk, what each family gets, and what the findings say."""

from __future__ import annotations

import pytest

from driver_examples import inf_text, make_tree
from make_catalog import der
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.findings import check_survey, device_title
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.reading import parse_machine
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import Fit, find_packages
from mediashelf.drivers.packages.tree import PackageTree, Provides
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.findings import Finding, Severity

VIDEO, SOUND, LAN, BRIDGE, OTHER = (
    f"PCI\\VEN_{vendor}&DEV_{device}"
    for vendor, device in [
        ("F2C4", "0301"),
        ("F3D7", "1600"),
        ("F4B9", "0100"),
        ("F6E2", "2000"),
        ("F7D3", "0056"),
    ]
)
MACHINE = parse_machine(
    "00:00.0 0600: f6e2:2000\n01:00.0 0300: f2c4:0301 (rev 03)\n00:0a.0 0401: f3d7:1600\n"
    "00:0b.0 0200: f4b9:0100\n00:0c.0 0780: f7d3:0056\n"
)


ERROR, WARNING, NOTE = Severity.ERROR, Severity.WARNING, Severity.NOTE
# How much a finding weighs decides the exit code. What a device needs is an error, and a
# warning where no device needs it or the system installs no INF.
WEIGHED = {
    "catalog-missing": {WARNING},
    "device-board-unknown": {WARNING, NOTE},  # a note where it has a driver
    "device-with-generic-driver": {WARNING},
    "device-without-driver": {ERROR, WARNING},
    "devices-not-matched": {NOTE},
    "driver-cabinet-unread": {ERROR},
    "driver-choice-by-signature": {NOTE},
    "driver-file-cut-short": {ERROR},
    "driver-file-for-other-processor": {WARNING},
    "driver-file-found-above": {ERROR},
    "driver-file-missing": {ERROR, WARNING},
    "driver-file-name-hidden": {ERROR},
    "driver-file-short-name": {WARNING},
    "driver-file-size": {NOTE},
    "driver-files-other-root": {WARNING},
    "driver-tie": {NOTE},
    "file-without-source-disk": {WARNING},
    "inf-for-other-family": {NOTE},
    "inf-of-system-needed": {NOTE},
    "models-choice-unsure": {NOTE},
    "models-platform-missing": {WARNING},
    "needed-section-missing": {ERROR},
    "source-disk-undefined": {ERROR, WARNING},
    "tag-file-missing": {WARNING},
    "utf-16-inf": {NOTE},
    "utf-8-inf": {WARNING},
}


def make_disc(**others: object) -> PackageTree:
    return make_tree(
        {
            "/Video/lkv.inf": inf_text(VIDEO),
            "/Video/lkv.sys": b"x",
            "/Sound/qla.inf": inf_text(
                SOUND, copies="CopyFiles=@qla.sys,@qlsynth.sys", files="qla.sys=1\r\nqlsynth.sys=1"
            ),
            "/Sound/qla.sys": b"x",
            "/Lan/tlan.inf": inf_text(LAN, signature="$Windows NT$"),
            "/Lan/lkv.sys": b"x",
            "/Any/any.inf": inf_text(
                "PCI\\CC_0780", files="none.sys=1", copies="CopyFiles=@no.sys"
            ),
        },
        **others,
    )


def surveyed(
    tree: PackageTree, family: str = "win9x", devices: tuple[Device, ...] | None = MACHINE.devices
) -> tuple[Survey, list[Finding]]:
    result = survey([(tree, find_packages(tree))], FAMILIES[family], family, devices)
    found = list(check_survey(result))
    assert [one for one in found if one.severity not in WEIGHED[one.rule]] == []
    return result, found


def places(findings: list[Finding], rule: str) -> list[str]:
    return [finding.where for finding in findings if finding.rule == rule]


def test_every_device_has_its_row() -> None:
    result, _ = surveyed(make_disc())
    assert [cover.cover for cover in result.covers] == [
        Cover.NONE,
        Cover.DRIVER,
        Cover.DRIVER,
        Cover.NONE,
        Cover.GENERIC,
    ]
    # A device without a name is called what its package calls it.
    assert device_title(result.covers[1]) == "Larkspur Video 3"
    assert device_title(result.covers[4]) == f"communication {OTHER}"


def test_devices_without_a_driver() -> None:
    result, findings = surveyed(make_disc())
    found = [finding for finding in findings if finding.rule == "device-without-driver"]
    assert [(finding.severity, finding.where) for finding in found] == [
        # Systems drive a host bridge themselves, as a rule.
        (Severity.WARNING, f"device 1 (00:00.0) host bridge {BRIDGE}"),
        (Severity.ERROR, f"device 4 (00:0b.0) network {LAN}"),
    ]
    assert found[1].message == "/Lan/tlan.inf names it, but its signature is not for this family"
    assert {finding.target for finding in found} == {"win9x"}
    assert result.unfit_for(result.covers[3].device)[0][1] is Fit.SIGNATURE


def test_a_package_that_fits_with_another_section_only() -> None:
    text = inf_text(VIDEO, decorations=",NTamd64", more=f"[Models.NTamd64]\r\nx=Install,{LAN}")
    result, findings = surveyed(make_tree({"/lkv.inf": text, "/lkv.sys": b"x"}), "nt5")
    assert result.unfit_for(result.covers[3].device) == [
        (result.packages[0].package, Fit.OTHER_SECTION)
    ]
    messages = [f.message for f in findings if f.rule == "device-without-driver"]
    assert "/lkv.inf names it, but the section that names it is for another system" in messages


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-8-sig"])
@pytest.mark.parametrize("family", ["win9x", "nt4", "nt5", "nt6"])
def test_unicode_covers_nothing_where_systems_read_ansi_only(family: str, encoding: str) -> None:
    """From memory: INFs in UTF-16 are of NT systems; a mark is text before [Version] for others."""
    text = inf_text(VIDEO).encode(encoding)
    tree = make_tree({"/l/lkv.inf": text, "/l/lkv.sys": b"x"})
    result, findings = surveyed(tree, family, devices=(MACHINE.devices[1],))
    told = [one.message for one in findings if one.rule == "device-without-driver"]
    if family == "win9x":
        assert [verdict.words for verdict in result.verdicts] == ["none"]
        why = "/l/lkv.inf names it, but its text is Unicode, and 9x systems read ANSI text only"
        assert told == [why]
    else:
        assert [verdict.words for verdict in result.verdicts] == ["covered"]
        assert told == []
    found = [one for one in findings if one.rule == "utf-16-inf"]
    assert [(one.severity, one.where) for one in found] == [(Severity.NOTE, "/l/lkv.inf")] * (
        encoding == "utf-16-le"
    )


def test_a_package_that_excludes_the_device_is_told() -> None:
    text = inf_text(VIDEO, copies=f"CopyFiles=@lkv.sys\r\nExcludeID={VIDEO}")
    tree = make_tree({"/l/lkv.inf": text, "/l/lkv.sys": b"x"})
    result, findings = surveyed(tree, "nt5", devices=(MACHINE.devices[1],))
    assert [verdict.words for verdict in result.verdicts] == ["none"]
    (finding,) = [one for one in findings if one.rule == "device-without-driver"]
    assert "/l/lkv.inf names it, but its install section excludes the device" in finding.message


def test_generic_drivers_and_other_families_are_told() -> None:
    _, findings = surveyed(make_disc())
    assert places(findings, "device-with-generic-driver") == [
        f"device 5 (00:0c.0) communication {OTHER}"
    ]
    assert places(findings, "inf-for-other-family") == ["/Lan/tlan.inf"]


def test_a_missing_file_of_a_chosen_package_is_an_error() -> None:
    _, findings = surveyed(make_disc())
    missing = {f.where: f for f in findings if f.rule == "driver-file-missing"}
    assert set(missing) == {"/Sound/qla.inf line 10", "/Any/any.inf line 10"}
    one = missing["/Sound/qla.inf line 10"]
    assert one.severity is Severity.ERROR
    assert "qlsynth.sys" in one.message
    assert "/Sound/qlsynth.sys" in one.message


def test_a_missing_file_that_no_device_needs_is_a_warning() -> None:
    devices = (MACHINE.devices[1],)
    result, findings = surveyed(make_disc(), devices=devices)
    assert [one.is_chosen for one in result.packages] == [False, False, False, True]
    found = [f for f in findings if f.rule == "driver-file-missing"]
    assert {finding.severity for finding in found} == {Severity.WARNING}


def test_without_a_machine_every_package_counts() -> None:
    result, findings = surveyed(make_disc(), devices=None)
    assert (result.covers, result.has_machine) == ((), False)
    assert surveyed(make_disc(), devices=())[0].has_machine  # one without devices is one
    found = [f for f in findings if f.rule == "driver-file-missing"]
    assert {finding.severity for finding in found} == {Severity.ERROR}
    assert places(findings, "device-without-driver") == []


def test_text_findings_are_errors_only_where_a_device_needs_the_package() -> None:
    broken = inf_text(VIDEO, files="lkv.sys=7")
    tree = make_tree({"/lkv.inf": broken, "/lkv.sys": b"x"})
    for devices, severity in [
        (MACHINE.devices, Severity.ERROR),
        ((MACHINE.devices[3],), Severity.WARNING),
        (None, Severity.ERROR),
    ]:
        _, findings = surveyed(tree, devices=devices)
        assert [f.severity for f in findings if f.rule == "source-disk-undefined"] == [severity]


def test_dos_has_declared_packages_only() -> None:
    tree = make_tree(
        {"/TLAN/TLAN.SYS": b"x", "/LKV/LKV.INF": inf_text(VIDEO), "/LKV/LKV.SYS": b"x"},
        kind="iso9660",
        provides=(Provides("/TLAN", (LAN,), ("dos",)),),
    )
    result, findings = surveyed(tree, "dos")
    assert [cover.cover for cover in result.covers][3] is Cover.DECLARED
    assert places(findings, "device-without-driver")[1].startswith("device 2")
    assert {f.severity for f in findings} <= {Severity.NOTE, Severity.WARNING}
    declared_for_dos_only, _ = surveyed(tree, "win9x")
    assert declared_for_dos_only.covers[3].cover is Cover.NONE


def test_infs_give_no_findings_for_dos() -> None:
    text = inf_text(VIDEO, copies="CopyFiles=@longfilename.sys", files="longfilename.sys=7")
    tree = make_tree(
        {"/LKV/LKV.INF": text, "/LKV/LONGFILE.SYS": b"x"},
        hidden={"/LKV/LKV.INF": "/lkv/lkv.inf", "/LKV/LONGFILE.SYS": "/lkv/longfilename.sys"},
        kind="iso9660",
    )
    _, findings = surveyed(tree, "dos", devices=None)
    assert findings == []
    # A target that takes INFs and does not read Joliet would not find the file: an error.
    _, findings = surveyed(tree, "win9x")
    (finding,) = [f for f in findings if f.rule == "driver-file-name-hidden"]
    assert finding.severity is Severity.ERROR
    assert "/LKV/LONGFILE.SYS" in finding.message


def test_nt4_does_not_look_by_identifier() -> None:
    _, findings = surveyed(make_disc(), "nt4")
    (finding,) = [f for f in findings if f.rule == "devices-not-matched"]
    assert finding.severity is Severity.NOTE


@pytest.mark.parametrize(
    ("text", "files", "rule"),
    [
        (inf_text(VIDEO).replace("Class=", "CatalogFile=lkv.cat\r\nClass="), {}, "catalog-missing"),
        (inf_text(VIDEO, disks="1=disk,lkv.tag"), {}, "tag-file-missing"),
        (inf_text(VIDEO, files="lkv.sys=1,,7"), {"/l/lkv.sys": bytes(9)}, "driver-file-size"),
        (inf_text(VIDEO, files="lkv.sys=1,,7"), {}, "driver-file-cut-short"),
        (inf_text(VIDEO), {"/l/lkv.sys": b""}, "driver-file-cut-short"),
        (inf_text(VIDEO, files="lkv.sys=1,sub"), {"/sub/lkv.sys": b"x"}, "driver-file-found-above"),
        (
            inf_text(VIDEO, disks="1=disk,lkv.tag", files="lkv.sys=1,sub"),
            {"/sub/lkv.sys": b"x", "/lkv.tag": b""},
            "driver-files-other-root",
        ),
        (
            inf_text(VIDEO, disks="1=disk,,,\\l", files="lkv.sys=1"),
            {"/l/lkv.sys": b"x"},
            "driver-files-other-root",
        ),
        (
            inf_text(VIDEO, copies="CopyFiles=@lkv.sys\r\nInclude=display.inf"),
            {},
            "inf-of-system-needed",
        ),
        (
            inf_text(VIDEO, decorations=",NTx86.5.0,NT.5.1", more="[Models.NT.5.1]\r\nx=Install,X"),
            {},
            "models-choice-unsure",
        ),
        (
            inf_text(VIDEO, copies="CopyFiles=@lkv.sys\r\nNeeds=Nothing"),
            {},
            "needed-section-missing",
        ),
        (
            inf_text(VIDEO, disks="1=disk,lkv.cab", copies="CopyFiles=@in.sys", files="in.sys=1"),
            {"/l/lkv.cab": b"x"},
            "driver-cabinet-unread",
        ),
    ],
)
def test_rules_around_a_package(text: str, files: dict[str, bytes], rule: str) -> None:
    sound: dict[str, str | bytes] = {"/l/lkv.inf": inf_text(VIDEO), "/l/lkv.sys": b"x"}
    _, findings = surveyed(make_tree(sound), "nt5")
    assert places(findings, rule) == []
    _, findings = surveyed(make_tree({**sound, "/l/lkv.inf": text, **files}), "nt5")
    assert places(findings, rule)


@pytest.mark.parametrize(("top", "said"), [("", "/"), ("/pack", "/pack")])
def test_paths_that_count_from_another_folder_are_told_with_that_folder(
    top: str, said: str
) -> None:
    text = inf_text(VIDEO, disks="1=disk,lkv.tag", files="lkv.sys=1,sub")
    files = {f"{top}/l/lkv.inf": text, f"{top}/sub/lkv.sys": b"x", f"{top}/lkv.tag": b""}
    _, findings = surveyed(make_tree(files), "nt5")
    (one,) = [one for one in findings if one.rule == "driver-files-other-root"]
    assert one.message == f"1 file found only when paths are counted from {said}"
    assert f"type {said}, or" in one.remedy


@pytest.mark.parametrize(
    ("files", "size", "message"),
    [
        ("lkv.sys=1,,7", 3, "/l/lkv.sys has 3 bytes; expected 7 bytes, as the INF says"),
        ("lkv.sys=1", 0, "/l/lkv.sys has 0 bytes; expected contents"),
    ],
)
def test_a_file_that_is_cut_short_is_told_with_both_sizes(
    files: str, size: int, message: str
) -> None:
    tree = make_tree({"/l/lkv.inf": inf_text(VIDEO, files=files), "/l/lkv.sys": bytes(size)})
    _, findings = surveyed(tree, "nt5")
    (one,) = [one for one in findings if one.rule == "driver-file-cut-short"]
    assert one.message == message


def test_a_short_name_that_the_inf_asks_for_is_a_warning() -> None:
    text = inf_text(VIDEO, copies="CopyFiles=@larksp~1.sys", files="larksp~1.sys=1")
    tree = make_tree(
        {"/l/lkv.inf": text, "/l/larkspur video.sys": b"x"},
        hidden={"/l/larkspur video.sys": "/L/LARKSP~1.SYS", "/l/lkv.inf": "/L/LKV.INF"},
    )
    _, findings = surveyed(tree, "nt5")
    (one,) = [one for one in findings if one.rule.startswith("driver-file-")]
    assert one.rule == "driver-file-short-name"
    assert one.message.startswith("larksp~1.sys is the short name of /l/larkspur video.sys; ")


@pytest.mark.parametrize("target", ["win9x", "nt5"])
@pytest.mark.parametrize(
    ("sections", "others"),
    [
        ("[SourceDisksFiles.amd64]", "[SourceDisksFiles.amd64]"),
        (
            "[SourceDisksFiles.ia64]\r\nlkv.sys=1\r\n[SourceDisksFiles.amd64]",
            "[SourceDisksFiles.ia64] and [SourceDisksFiles.amd64]",
        ),
        ("[SourceDisksFiles.x86]", ""),
        ("[SourceDisksFiles]\r\nlkv.sys=1\r\n[SourceDisksFiles.amd64]", ""),
    ],
)
def test_a_file_that_is_listed_for_other_processors_is_told(
    target: str, sections: str, others: str
) -> None:
    # inf-sourcedisksfiles-section: a system reads the section of its processor and the plain one.
    text = inf_text(VIDEO).replace("[SourceDisksFiles]", sections)
    _, findings = surveyed(make_tree({"/l/lkv.inf": text, "/l/lkv.sys": b"x"}), target)
    told = [one for one in findings if one.rule == "driver-file-for-other-processor"]
    assert len(told) == bool(others)
    for one in told:
        assert one.severity is Severity.WARNING
        verb = "list" if " and " in others else "lists"
        assert f"only {others} {verb} lkv.sys" in one.message


def test_a_package_that_may_be_signed_may_win() -> None:
    # how-windows-ranks-driver-packages: the signature goes before all other parts of the rank.
    signed = inf_text("X," + VIDEO).replace("Class=", "CatalogFile=lkv.cat\r\nClass=")
    files: dict[str, str | bytes] = {
        "/a/lkv.inf": inf_text(VIDEO),
        "/b/lkv.inf": signed,
        "/b/lkv.cat": b"x",
        **{f"/{folder}/lkv.sys": b"x" for folder in "ab"},
    }

    def told(target: str) -> list[str]:
        _, findings = surveyed(make_tree(files), target, devices=(MACHINE.devices[1],))
        return [f.message for f in findings if f.rule == "driver-choice-by-signature"]

    (message,) = told("nt5")
    assert message.startswith("/a/lkv.inf has no catalog and counts as unsigned")
    assert told("win9x") == []
    del files["/b/lkv.cat"]
    assert told("nt5") == []


def test_a_tie_and_an_unknown_board_are_notes() -> None:
    tree = make_tree(
        {
            "/a/lkv.inf": inf_text(VIDEO),
            "/b/lkv.inf": inf_text(VIDEO),
            "/c/lkv.inf": inf_text(f"{VIDEO}&SUBSYS_0007F2C4"),
            **{f"/{folder}/lkv.sys": b"x" for folder in "abc"},
        }
    )
    _, findings = surveyed(tree, devices=(MACHINE.devices[1],))
    assert {f.rule: f.severity for f in findings} == {
        "driver-tie": Severity.NOTE,
        "device-board-unknown": Severity.NOTE,
    }
    only_board = make_tree({"/c/lkv.inf": inf_text(f"{VIDEO}&SUBSYS_0007F2C4")})
    result, findings = surveyed(only_board, devices=(MACHINE.devices[1],))
    assert result.covers[0].cover is Cover.POSSIBLE
    # The file of a package that may win is needed as well.
    assert {f.rule: f.severity for f in findings} == {
        "device-board-unknown": Severity.WARNING,
        "driver-file-missing": Severity.ERROR,
    }


def test_files_that_no_other_inf_has_are_not_counted() -> None:
    text = inf_text(VIDEO, copies="CopyFiles=@lkv.sys\r\nInclude=display.inf")
    _, findings = surveyed(make_tree({"/l/lkv.inf": text, "/l/lkv.sys": b"x"}), "nt5")
    (note,) = (one for one in findings if one.rule == "inf-of-system-needed")
    assert note.message == "it builds on display.inf, outside the package"


def test_a_driver_that_nothing_copies_is_told_with_the_verdict() -> None:
    services = "[Install.Services]\r\nAddService=x,2,S\r\n[S]\r\nServiceBinary=%12%\\tern.sys"
    tree = make_tree({"/l/lkv.inf": inf_text(VIDEO, more=services), "/l/lkv.sys": b"x"})
    result, findings = surveyed(tree, "nt5", devices=(MACHINE.devices[1],))
    assert [verdict.words for verdict in result.verdicts] == [
        "covered, with tern.sys of the system's own disc"
    ]
    (note,) = [one for one in findings if one.rule == "inf-of-system-needed"]
    assert note.message == (
        "it builds on the system itself, outside the package; not looked for: 1 file from there"
    )


@pytest.mark.parametrize("size", [0, 6, 100, 299, 300])
def test_a_catalog_that_is_cut_short_is_none(size: int) -> None:
    """X.690 8.1.3: the first element of a file in DER has its length."""
    text = inf_text(VIDEO).replace("Class=", "CatalogFile=lkv.cat\r\nClass=")
    catalog = der(0x30, bytes(296))
    assert len(catalog) == 300
    files = {"/l/lkv.inf": text, "/l/lkv.sys": b"x", "/l/lkv.cat": catalog[:size]}
    _, findings = surveyed(make_tree(files), "nt5", devices=(MACHINE.devices[1],))
    said = [one.message for one in findings if one.rule == "catalog-missing"]
    expected = "the catalog lkv.cat is cut short, so it counts as unsigned"
    assert said == [expected] * (size < 300)
