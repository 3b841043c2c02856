"""Drivers that the sources have and the disc has not."""

from __future__ import annotations

import pytest

from driver_examples import inf_text, make_tree
from mediashelf.drivers.losses import check_losses
from mediashelf.drivers.machines.reading import parse_machine
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, Provides
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.findings import Severity

VIDEO, LAN = "PCI\\VEN_F2C4&DEV_0301", "PCI\\VEN_F4B9&DEV_0100"
MACHINE = parse_machine("01:00.0 0300: f2c4:0301\n00:0b.0 0200: f4b9:0100\n")

VIDEO_INF, LAN_INF = inf_text(VIDEO), inf_text(LAN)
WHOLE = {"/v/lkv.inf": VIDEO_INF, "/v/lkv.sys": b"v", "/n/tern.inf": LAN_INF, "/n/lkv.sys": b"n"}


def surveyed(*trees: PackageTree, family: str = "win9x") -> Survey:
    founds = [(tree, find_packages(tree)) for tree in trees]
    return survey(founds, FAMILIES[family], family, MACHINE.devices)


def losses(before: Survey, after: Survey) -> list[tuple[str, str]]:
    found = list(check_losses(before, after))
    assert {(f.rule, f.severity) for f in found} <= {("driver-lost-on-disc", Severity.ERROR)}
    return [(finding.where.partition(" (")[0], finding.message) for finding in found]


def without(*paths: str) -> dict[str, str | bytes]:
    return {path: data for path, data in WHOLE.items() if path not in paths}


def test_nothing_is_lost_where_everything_is_there() -> None:
    whole = surveyed(make_tree(WHOLE))
    assert losses(whole, whole) == []
    # Two discs are as good as one.
    video = {path: data for path, data in WHOLE.items() if path.startswith("/v")}
    lan = {path: data for path, data in WHOLE.items() if path.startswith("/n")}
    assert losses(whole, surveyed(make_tree(video, name="1"), make_tree(lan, name="2"))) == []


def test_a_driver_that_is_gone() -> None:
    (loss,) = losses(surveyed(make_tree(WHOLE)), surveyed(make_tree(without("/n/tern.inf"))))
    assert loss == ("device 2", "its driver in the sources, /n/tern.inf, is not on the disc")


def test_a_driver_that_lost_a_file() -> None:
    (loss,) = losses(surveyed(make_tree(WHOLE)), surveyed(make_tree(without("/v/lkv.sys"))))
    assert loss == (
        "device 1",
        "lkv.sys cannot be found on the disc, though the sources have it for this driver",
    )


def test_a_package_that_was_torn_apart() -> None:
    """Its file is on the other disc."""
    one = make_tree(without("/v/lkv.sys"), name="1")
    two = make_tree({"/v/lkv.sys": b"v"}, name="2")
    assert [where for where, _ in losses(surveyed(make_tree(WHOLE)), surveyed(one, two))] == [
        "device 1"
    ]


@pytest.mark.parametrize("path", ["/v/lkv.inf", "/v/lkv.sys"])
def test_what_the_sources_lack_is_no_loss(path: str) -> None:
    poor = surveyed(make_tree(without(path)))
    assert losses(poor, poor) == []
    assert losses(poor, surveyed(make_tree({**without(path), "/v/lkv.sys": b"v"}))) == []


def test_a_name_that_only_the_other_tree_has_is_a_loss() -> None:
    """As for a target that reads only short names."""
    short = make_tree(
        {"/V/LKV.INF": VIDEO_INF, "/V/LKV_2.SYS": b"v", **without("/v/lkv.inf", "/v/lkv.sys")},
        hidden={"/V/LKV.INF": "/v/lkv.inf", "/V/LKV_2.SYS": "/v/lkv.sys"},
        kind="iso9660",
    )
    assert [where for where, _ in losses(surveyed(make_tree(WHOLE)), surveyed(short))] == [
        "device 1"
    ]


def test_declared_drivers_are_lost_with_their_folder() -> None:
    provides = (Provides("/DOS", (VIDEO,), ("dos",)),)
    whole = surveyed(make_tree({"/DOS/V.COM": b"v"}, provides=provides), family="dos")
    gone = surveyed(make_tree({"/ELSE/V.COM": b"v"}, provides=provides), family="dos")
    assert losses(whole, whole) == []
    assert losses(whole, gone) == [
        ("device 1", "its driver in the sources, /DOS, is not on the disc"),
    ]


def test_a_driver_that_became_only_a_generic_one_is_lost() -> None:
    generic = make_tree({"/g/g.inf": inf_text("PCI\\CC_0300"), "/g/lkv.sys": b"g", **without()})
    poorer = make_tree(
        {"/g/g.inf": inf_text("PCI\\CC_0300"), "/g/lkv.sys": b"g", **without("/v/lkv.inf")}
    )
    assert losses(surveyed(generic), surveyed(generic)) == []
    assert [where for where, _ in losses(surveyed(generic), surveyed(poorer))] == ["device 1"]
