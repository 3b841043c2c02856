"""What goes on the disc's own pages, and what another release would get."""

from __future__ import annotations

from driver_examples import inf_text, make_tree
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.device_table import device_rows, package_rows
from mediashelf.drivers.machines.reading import parse_machine
from mediashelf.drivers.packages.families import FAMILIES, choose_family
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, Provides
from mediashelf.drivers.releases import check_releases
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.drivers.verdict import decide
from mediashelf.findings import Finding, Severity

VIDEO, LAN = "PCI\\VEN_F2C4&DEV_0301", "PCI\\VEN_F4B9&DEV_0100"
MACHINE = parse_machine("01:00.0 0300: f2c4:0301\n00:0b.0 0200: f4b9:0100\n")


def surveyed(tree: PackageTree, family: str = "win9x") -> Survey:
    found = find_packages(tree)
    return survey([(tree, found)], FAMILIES[family], family, MACHINE.devices)


def make_disc(kind: str) -> PackageTree:
    long, short = "/Larkspur Video/lkv.inf", "/LARKSPUR/LKV.INF"
    path, hidden = (short, long) if kind == "iso9660" else (long, short)
    return make_tree(
        {path: inf_text(VIDEO, f"{VIDEO}&REV_01")},
        hidden={path: hidden},
        kind=kind,
        provides=(Provides("/", (LAN,), ("dos",)),),
    )


def test_rows_have_both_paths_whatever_tree_was_read() -> None:
    for kind in ("joliet", "iso9660"):
        rows = device_rows(surveyed(make_disc(kind)))
        assert [row.device_class for row in rows] == ["display", "network"]
        assert rows[0] == (
            "display",
            "Larkspur Video 3",
            decide(Cover.DRIVER, ["lkv.sys"]),
            "/LARKSPUR/LKV.INF",
            "/Larkspur Video/lkv.inf",
            "Install",
            "Larkspur Video",
            "disc",
        )
        assert rows[1][2:] == (decide(Cover.NONE), "", "", "", "", "")


def test_declared_packages_have_the_path_of_the_tree_that_is_read() -> None:
    rows = device_rows(surveyed(make_disc("iso9660"), "dos"))
    assert rows[1][2:5] == (decide(Cover.DECLARED), "/", "")


def test_package_rows_need_no_machine() -> None:
    (row,) = package_rows(surveyed(make_disc("joliet")))
    assert row == (
        "Display",
        "Larkspur Video",
        ("Larkspur Video 3",),
        "/LARKSPUR/LKV.INF",
        "/Larkspur Video/lkv.inf",
        "disc",
        "1999-03-18, version 4.10.3.204",
        ("win9x",),
        (("lkv.sys",),),
        0,
    )


def test_package_rows_of_several_systems_are_merged_and_so_are_classes() -> None:
    tree = make_tree(
        {
            "/a/lkv.inf": inf_text(VIDEO),
            "/a/lkv.sys": b"x",
            "/b/tern.inf": inf_text(LAN, signature="$Windows NT$").replace("=Display", "=DISPLAY"),
        }
    )
    rows = package_rows(surveyed(tree), surveyed(tree, "nt5"))
    assert [(row.long_path, row.device_class, row.targets, row.missing) for row in rows] == [
        ("/a/lkv.inf", "Display", ("win9x", "nt5"), ((), ())),
        ("/b/tern.inf", "Display", ("nt5",), (("lkv.sys",),)),
    ]


def releases(tree: PackageTree, release: tuple[int, int] = (5, 1)) -> list[Finding]:
    found = find_packages(tree)
    family = choose_family("nt5", release=release)
    result = survey([(tree, found)], family, "nt5", MACHINE.devices)
    return list(check_releases(result, [(tree, found)], MACHINE.devices))


def test_a_driver_that_another_release_does_not_get_is_told() -> None:
    # inf-manufacturer-section: NTx86.5.1 is for 5.1 and later; from memory, 5.0 takes
    # only the undecorated section, which is not there.
    text = inf_text(VIDEO, decorations=",NTx86.5.1").replace("[Models]", "[Models.NTx86.5.1]")
    (finding,) = releases(make_tree({"/lkv.inf": text}))
    assert (finding.rule, finding.severity) == ("driver-differs-by-release", Severity.WARNING)
    assert finding.message == "it gets no driver with 5.0"
    (finding,) = releases(make_tree({"/lkv.inf": text}), (5, 0))
    assert finding.severity is Severity.NOTE
    assert finding.message == ("it gets /lkv.inf [Install] with 5.1, /lkv.inf [Install] with 5.2")


def test_a_driver_for_every_release_is_not() -> None:
    assert releases(make_tree({"/lkv.inf": inf_text(VIDEO)})) == []
