"""Discs of several sessions: found, listed, and the last one shown."""

from __future__ import annotations

from pathlib import Path

import pytest

from byte_views import BytesView
from cli_runs import Shelf
from image_parts import SECTOR, both32
from make_image import Boot, MadeImage, make_iso, put, zero
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure

FIRST = make_iso({"A.TXT": b"first", "B.TXT": b"b" * 3000}, joliet=3)
GAP = 300  # sectors
BOTH = make_iso(
    {"A.TXT": b"second", "DIR/C.TXT": b"c"}, joliet=3, after=FIRST.data + bytes(GAP * SECTOR)
)
START = len(FIRST.data) // SECTOR + GAP


def read(data: bytes) -> DiscReading:
    return read_disc(BytesView(data))


def paths(data: bytes) -> list[str]:
    return [entry.path for entry in read(data).facts.volumes[0].entries]


def rules(data: bytes) -> list[str]:
    return [finding.rule for finding in read(data).findings]


def test_the_last_session_is_the_disc(tmp_path: Path) -> None:
    # Linux kernel 6.12, fs/isofs/inode.c: descriptors 16 sectors after the session's start.
    disc = read(BOTH.data)
    assert disc.facts.sessions == (0, START)
    assert [volume.kind.value for volume in disc.facts.volumes] == ["iso9660", "joliet"]
    (finding,) = disc.findings
    assert finding.rule == "last-session-read"
    assert f"LBA 0, {START}" in finding.message
    assert paths(BOTH.data) == ["/A.TXT", "/DIR", "/DIR/C.TXT"]
    with open_image(BOTH.save(tmp_path / "both.iso")) as image:
        entry = image.facts.volumes[0].entries[0]
        assert image.read_file(entry, 100) == b"second"
        assert list(check_structure(image)) == []


def test_nobody_is_said_to_read_the_last_session_of_a_served_image(tmp_path: Path) -> None:
    """The table of contents of an emulated drive has one session, whatever the image holds.

    Linux kernel 6.1, drivers/usb/gadget/function/f_mass_storage.c, do_read_toc; of a drive the
    last session is asked for (drivers/scsi/sr_vendor.c, sr_cd_check), which is then the first.
    """
    result = Shelf(tmp_path).json("check", BOTH.save(tmp_path / "both.iso"), "--fail-on", "never")
    (disc,) = result["inputs"]
    assert {each["verdict"] for each in disc["targets"]} == {"reads it, with care"}
    assert "systems show the first" in disc["findings"][0]["message"]


def test_one_session_is_one_session() -> None:
    disc = read(FIRST.data)
    assert (disc.facts.sessions, disc.findings) == ((0,), ())


def test_a_third_session_goes_on_from_the_second() -> None:
    third = make_iso({"Z.TXT": b"z"}, after=BOTH.data + bytes(150 * SECTOR))
    assert read(third.data).facts.sessions == (0, START, len(BOTH.data) // SECTOR + 150)
    assert paths(third.data) == ["/Z.TXT"]


def test_files_of_an_earlier_session_may_be_named_by_the_last() -> None:
    # Joliet specification 1: addresses count from the start of the disc.
    record = BOTH.record("/A.TXT")
    lba = FIRST.file("/B.TXT") // SECTOR
    data = put(put(BOTH.data, record + 2, both32(lba)), record + 10, both32(3000))
    assert rules(data) == ["last-session-read"]


def test_damage_in_the_last_session_is_found() -> None:
    # ECMA-119 8.4.8: the size counts from the session's start.
    assert "image-is-whole" in rules(BOTH.data[: -2 * SECTOR])
    root = BOTH.directory("/")
    assert "parent-record" in rules(zero(BOTH.data, root + 34, 34 * 2))


def test_a_session_may_boot() -> None:
    # El Torito 1.0, section 2.0: 17 sectors after the session's start, as common practice has it.
    boot = Boot(b"\xeb\xfe" + bytes(2046))
    made = make_iso({"A.TXT": b"a"}, boot=boot, after=FIRST.data + bytes(GAP * SECTOR))
    disc = read(made.data)
    assert disc.facts.boot is not None
    assert [finding.rule for finding in disc.findings] == ["last-session-read"]


def shifted(made: MadeImage) -> bytes:
    return FIRST.data + bytes(GAP * SECTOR) + made.data


@pytest.mark.parametrize(
    "data",
    [
        shifted(FIRST),  # a copy of a whole image: its numbers count from its own start
        zero(BOTH.data, BOTH.directory("/"), 34),
        put(BOTH.data, BOTH.at("primary") + 1, b"x"),
        make_iso({"A.TXT": b"a"}, after=FIRST.data + bytes(16_400 * SECTOR)).data,
    ],
    ids=["image in an image", "no root", "no descriptor", "too far"],
)
def test_what_is_no_session_is_bytes_after_the_volume(data: bytes) -> None:
    # Own behaviour: nothing is shown in the first session's place that may not be one.
    disc = read(data)
    assert disc.facts.sessions == (0,)
    assert "nothing-after-volume" in rules(data)


def test_high_sierra_is_named() -> None:
    # Linux kernel 6.12, include/uapi/linux/iso_fs.h: HS_STANDARD_ID.
    head = bytes(8) + b"\x01CDROM\x01"
    data = bytes(16 * SECTOR) + head.ljust(4 * SECTOR, b"\0")
    assert rules(data) == ["high-sierra-volume"]
    assert rules(zero(data, 16 * SECTOR + 9, 5)) == ["no-volume"]


def test_a_session_without_udf_does_not_show_that_of_an_earlier_one(tmp_path: Path) -> None:
    # Linux kernel 6.1, fs/udf/super.c: recognition and anchor count from the session's start.
    first = make_iso({"A.TXT": b"first"}, joliet=3, udf="NSR02").data
    both = make_iso({"B.TXT": b"second"}, joliet=3, after=first + bytes(GAP * SECTOR))
    disc = read(both.data)
    assert [volume.kind.value for volume in disc.facts.volumes] == ["iso9660", "joliet"]
    assert [(each.rule, each.severity.word) for each in disc.findings] == [
        ("last-session-read", "warning"),
        ("udf-contents-not-read", "note"),
    ]
    with open_image(both.save(tmp_path / "both.iso")) as image:
        assert list(check_structure(image)) == []


def test_the_udf_volume_of_the_last_session_is_shown(tmp_path: Path) -> None:
    first = make_iso({"A.TXT": b"first"}, joliet=3, udf="NSR02").data
    files = {"A.TXT": b"second", "B.TXT": b"b" * 9000}
    both = make_iso(files, joliet=3, udf="NSR02", after=first + bytes(GAP * SECTOR))
    disc = read(both.data)
    assert [each.rule for each in disc.findings] == ["last-session-read"]
    assert [volume.kind.value for volume in disc.facts.volumes] == ["iso9660", "joliet", "udf"]
    with open_image(both.save(tmp_path / "both.iso")) as image:
        entry = image.facts.volumes[-1].entries[0]
        assert (entry.path, image.read_file(entry, 100)) == ("/A.TXT", b"second")
        assert list(check_structure(image)) == []


@pytest.mark.parametrize("blocks", [0, 1, 16, 17])
def test_a_volume_size_that_is_too_small_makes_no_session(blocks: int) -> None:
    """Own behaviour; the Linux kernel 6.1 and pycdlib show all that is there."""
    made = make_iso({"A.TXT": b"a"}, joliet=3)
    data = put(made.data, made.field("primary", "volume_space_size"), both32(blocks))
    assert read(data).facts.sessions == (0,)
    assert "last-session-read" not in rules(data)
