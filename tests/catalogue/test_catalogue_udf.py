"""Discs with UDF on shelves: each file listed once, damage named, with and without other trees."""

from __future__ import annotations

from pathlib import Path

import pytest

from made_library import DATE, Library, overwrite, write
from make_files import make_cabinet
from make_image import SECTOR, MadeImage, cut, flip, make_iso, without_iso
from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.findings import Severity

CABINET = make_cabinet([{"LKVX3.SYS": b"driver " * 9000}])
FILES = {
    "DRIVERS/LKVX3.CAB": CABINET.data,
    "README.TXT": b"read me\r\n" * 300,
    "SMALL.TXT": b"small enough to stand in its own record",
    "EMPTY.TXT": b"",
}
LONG = {"DRIVERS": "Larkspur drivers", "DRIVERS/LKVX3.CAB": "lkvx3 display driver.cab"}
LONG_CAB = "/Larkspur drivers/lkvx3 display driver.cab"


@pytest.fixture
def made() -> MadeImage:
    return make_iso(FILES, long_names=LONG, udf="NSR02", udf_embedded=["SMALL.TXT"])


@pytest.fixture
def bridge() -> MadeImage:
    return make_iso(FILES, long_names=LONG, udf="NSR03", joliet=3, udf_embedded=["SMALL.TXT"])


def record(library: Library, data: bytes, name: str = "disc.iso") -> Path:
    path = write(library.root / name, data, DATE)
    library.scan()
    return path


@pytest.mark.parametrize("is_bridge", [False, True])
def test_every_file_is_listed_once_and_the_disc_is_sound(
    library: Library, made: MadeImage, bridge: MadeImage, is_bridge: bool
) -> None:
    record(library, bridge.data if is_bridge else without_iso(made))
    (row,) = library.catalogue.images()
    kinds = ("iso9660", "joliet", "udf") if is_bridge else ("udf",)
    assert (row.state, row.kinds, row.entry_count) == ("recorded", kinds, 5)
    for text, path in (("cab", LONG_CAB), ("readme", "/README.TXT"), ("small", "/SMALL.TXT")):
        assert [hit.path for hit in library.catalogue.find(text).hits] == [path]
    assert [hit.path for hit in library.catalogue.find("empty").hits] == ["/EMPTY.TXT"]
    (result,) = library.audit(depth=Depth.CONTENTS).values()
    assert (result.verdict.state, result.verdict.findings) == ("sound", ())
    report = result.reading.inside_report
    assert report is not None
    # On a bridge disc the small file stands twice: in its UDF record, and where the others know it.
    assert report.files == (4 if is_bridge else 3)


def test_a_file_that_udf_keeps_in_its_record_is_listed_once_by_its_long_name(
    library: Library,
) -> None:
    files = {"SMALL.TXT": b"small", "BIG.TXT": b"big" * 2000}
    names = {"SMALL.TXT": "A small one.txt", "BIG.TXT": "A big one.txt"}
    made = make_iso(files, long_names=names, udf="NSR02", udf_embedded=["SMALL.TXT"])
    record(library, made.data)
    assert [hit.path for hit in library.catalogue.find("txt").hits] == [
        "/A big one.txt",
        "/A small one.txt",
    ]


def test_bytes_that_changed_name_the_files_of_a_disc_with_udf_alone(
    library: Library, made: MadeImage
) -> None:
    path = record(library, without_iso(made))
    overwrite(path, made.file("/DRIVERS/LKVX3.CAB") + 50, b"!")
    (result,) = library.audit().values()
    assert result.verdict.state == "decayed"
    assert LONG_CAB in {entry.path for entry in result.touched}


def test_damage_inside_a_file_is_found_where_nothing_is_recorded(
    library: Library, made: MadeImage
) -> None:
    at = made.file("/DRIVERS/LKVX3.CAB") + CABINET.at("data 0.1") + 5
    record(library, flip(without_iso(made), at))
    (result,) = library.audit(depth=Depth.CONTENTS).values()
    assert result.verdict.state == "damaged"
    assert [entry.path for entry in result.touched] == [LONG_CAB]
    assert {each.rule for each in result.verdict.findings} == {"cabinet-checksums-agree"}


def test_a_disc_with_udf_alone_that_was_cut_is_truncated(library: Library, made: MadeImage) -> None:
    data = without_iso(made)
    record(library, cut(data, len(data) - 3 * SECTOR))
    assert library.states() == {"home: disc.iso": "truncated"}
    (result,) = library.audit().values()
    assert result.verdict.state == "truncated"
    rules = {each.rule for each in result.verdict.findings}
    assert rules == {"image-is-whole", "extent-inside-image"}
    assert result.touched
    control = library.root / "control.iso"
    write(control, data)
    assert library.audit([str(control)])[str(control)].verdict.state == "unrecorded"


def test_only_the_anchors_behind_the_files_are_missing(library: Library, made: MadeImage) -> None:
    data = without_iso(made)
    record(library, cut(data, len(data) - SECTOR))
    (result,) = library.audit().values()
    assert result.verdict.state == "truncated"
    assert [(each.rule, each.severity) for each in result.verdict.findings] == [
        ("image-reaches-volume-end", Severity.WARNING)
    ]


def test_a_file_entry_that_is_damaged_is_an_error_though_the_other_trees_are_whole(
    library: Library, bridge: MadeImage
) -> None:
    entries = [
        at
        for at in range(257 * SECTOR, len(bridge.data), SECTOR)
        if bridge.data[at : at + 2] == (261).to_bytes(2, "little")
    ]
    for number, at in enumerate(entries):
        record(library, flip(bridge.data, at + 60), f"{number}.iso")
    assert len(entries) == 6  # two folders, four files
    assert set(library.states().values()) == {"damaged"}


def test_trees_that_differ_are_told(library: Library, bridge: MadeImage) -> None:
    """The ISO record of a file leads elsewhere than its UDF record."""
    elsewhere = bridge.file("/SMALL.TXT") // SECTOR
    number = elsewhere.to_bytes(4, "little") + elsewhere.to_bytes(4, "big")
    at = bridge.record("/README.TXT") + 2
    record(library, bridge.data[:at] + number + bridge.data[at + 8 :])
    (result,) = library.audit().values()
    assert "trees-agree" in {each.rule for each in result.verdict.findings}


def test_what_find_lists_by_itself_is_said_of_the_disc(library: Library) -> None:
    files = {"ONE.TXT": b"123456789", "TWO.TXT": b"987654321", "SAME.TXT": b"12345"}
    names = {"ONE.TXT": "first.dat", "TWO.TXT": "second.dat"}
    made = make_iso(files, long_names=names, udf="NSR02", udf_embedded=list(files))
    record(library, made.data)
    (result,) = library.audit().values()
    said = {each.where: each.severity for each in result.verdict.findings}
    apart = ["/ONE.TXT", "/TWO.TXT", "/first.dat", "/second.dat"]
    assert said == dict.fromkeys(apart, Severity.NOTE)
    listed = [hit.path for text in ("txt", "dat") for hit in library.catalogue.find(text).hits]
    assert sorted(listed) == sorted([*apart, "/SAME.TXT"])
