"""Covered, incomplete or none: decided once, from the files of the section that is installed."""

from __future__ import annotations

import pytest

from driver_examples import inf_text, make_tree
from mediashelf.drivers.coverage import Cover
from mediashelf.drivers.machines.devices import device_from_ids
from mediashelf.drivers.machines.reading import parse_machine
from mediashelf.drivers.packages.families import FAMILIES
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.surveying import survey
from mediashelf.drivers.verdict import DriverState, decide, summary_text

VIDEO, OTHER = "PCI\\VEN_F2C4&DEV_0301", "PCI\\VEN_F2C4&DEV_0302"


@pytest.mark.parametrize(
    ("by", "missing", "state", "words"),
    [
        (Cover.DRIVER, [], DriverState.COVERED, "covered"),
        (
            Cover.DRIVER,
            ["a.sys", "b.dll"],
            DriverState.INCOMPLETE,
            "incomplete, lacks a.sys, b.dll",
        ),
        (
            Cover.DRIVER,
            list("abcdef"),
            DriverState.INCOMPLETE,
            "incomplete, lacks a, b, c, d and 2 more",
        ),
        (Cover.DECLARED, [], DriverState.COVERED, "covered, as the recipe declares"),
        (Cover.GENERIC, [], DriverState.NONE, "none, but for a generic driver"),
        (Cover.GENERIC, ["a.sys"], DriverState.NONE, "none, but for a generic driver"),
        (Cover.POSSIBLE, [], DriverState.NONE, "none for certain; it depends on the board"),
        (Cover.NONE, [], DriverState.NONE, "none"),
    ],
)
def test_one_of_three_words(by: Cover, missing: list[str], state: DriverState, words: str) -> None:
    verdict = decide(by, missing)
    assert (verdict.state, verdict.words) == (state, words)


def test_the_summary_counts_three() -> None:
    rows = [decide(Cover.DRIVER)] * 3 + [decide(Cover.DECLARED), decide(Cover.DRIVER, ["x"])]
    assert summary_text([*rows, decide(Cover.NONE)]) == (
        "4 of 6 devices covered, 1 incomplete, 1 without a driver"
    )
    assert summary_text(rows[:1]) == "1 of 1 device covered"
    assert summary_text([decide(Cover.GENERIC), decide(Cover.POSSIBLE), decide(Cover.NONE)]) == (
        "0 of 3 devices covered, "
        "3 without a driver (1 with only a generic one, 1 depending on the board)"
    )


def test_a_device_lacks_only_the_files_of_its_own_section() -> None:
    text = inf_text(VIDEO, files="lkv.sys=1\r\nother.sys=1").replace(
        "[Install]", f"Other=Second,{OTHER}\r\n[Second]\r\nCopyFiles=@other.sys\r\n[Install]"
    )
    tree = make_tree({"/lkv.inf": text, "/lkv.sys": b"x"})
    machine = parse_machine(f"{VIDEO}\n\n{OTHER}\n")
    result = survey([(tree, find_packages(tree))], FAMILIES["win9x"], "win9x", machine.devices)
    assert result.verdicts == [decide(Cover.DRIVER), decide(Cover.DRIVER, ["other.sys"])]


def test_files_of_the_system_are_named() -> None:
    """Its own layout tells where they are; that its disc has them was not shown."""
    text = inf_text("PCI\\VEN_F2C4&DEV_0301", copies="CopyFiles=@lkv.sys,@usbd.sys")
    text = text.replace("Class=", "LayoutFile=layout.inf\r\nClass=")
    for files, words in (
        ({"/l/lkv.sys": b"x"}, "covered, with usbd.sys of the system's own disc"),
        ({}, "incomplete, lacks lkv.sys"),
    ):
        tree = make_tree({"/l/lkv.inf": text, **files})
        devices = [device_from_ids(["PCI\\VEN_F2C4&DEV_0301"])]
        result = survey([(tree, find_packages(tree))], FAMILIES["nt5"], "nt5", devices)
        assert [verdict.words for verdict in result.verdicts] == [words]
