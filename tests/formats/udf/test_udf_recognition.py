"""UDF: recognition sequence, anchors, tag checksum and CRC."""

from __future__ import annotations

import binascii
from io import BytesIO
from pathlib import Path

import fastcrc
import pycdlib
import pytest

from byte_views import BytesView
from image_parts import SECTOR, anchor, both32, le32, tagged
from image_udf import make_udf
from make_image import ANCHOR, MadeImage, flip, make_iso, put, zero
from mediashelf.findings import Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.udf.tags import descriptor_crc, parse_descriptor_tag, tag_checksum
from mediashelf.formats.volume import VolumeFacts, VolumeKind
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure


@pytest.fixture(scope="module")
def image() -> MadeImage:
    return make_iso({"A.TXT": b"alpha", "DIR/B.TXT": b"beta"}, label="TIDES", udf="NSR02")


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in read_disc(BytesView(data)).findings}


def udf_of(data: bytes) -> VolumeFacts | None:
    return read_disc(BytesView(data)).facts.volume(VolumeKind.UDF)


def test_the_crc_is_the_one_of_the_catalogue() -> None:
    # CRC-16/XMODEM: 0x31C3 over "123456789"; binascii and fastcrc agree with it.
    sample = b"123456789"
    assert binascii.crc_hqx(sample, 0) == fastcrc.crc16.xmodem(sample) == 0x31C3
    assert descriptor_crc(bytes(16) + sample, len(sample)) == 0x31C3


def test_a_tag_is_parsed_field_by_field() -> None:
    # ECMA-167 3/7.2.
    tag = parse_descriptor_tag(anchor(256, 257, 3 * SECTOR))
    assert (tag.identifier, tag.version, tag.location, tag.crc_length) == (2, 2, 256, 496)
    assert tag.checksum == tag_checksum(anchor(256, 257, 3 * SECTOR))
    # All 16 bytes but the checksum itself, modulo 256.
    assert tag_checksum(bytes(range(16))) == sum(range(16)) - 4


@pytest.mark.parametrize("standard", ["NSR02", "NSR03"])
def test_the_control_has_no_findings(standard: str) -> None:
    made = make_iso({"A.TXT": b"a"}, label="TIDES", udf=standard, udf_revision=0x0201)
    disc = read_disc(BytesView(made.data))
    assert disc.findings == ()
    volume = disc.facts.volume(VolumeKind.UDF)
    assert volume is not None
    assert (volume.label, volume.detail, volume.udf_revision) == ("TIDES", standard, 0x0201)


def test_without_a_standard_there_is_no_udf(image: MadeImage) -> None:
    # ECMA-167 3/9.1: NSR02 or NSR03.
    assert udf_of(zero(image.data, image.at("recognition", path="NSR02"))) is None


@pytest.mark.parametrize("name", ["BEA01", "TEA01"])
def test_the_sequence_must_be_framed(image: MadeImage, name: str) -> None:
    # ECMA-167 2/9.2 and 2/9.3: BEA01 and TEA01.
    data = zero(image.data, image.at("recognition", path=name))
    assert rules(data) == {"udf-recognition"}
    assert udf_of(data) is not None


@pytest.mark.parametrize("name", ["BEA01", "NSR02", "TEA01"])
@pytest.mark.parametrize("at", [0, 6])
def test_type_and_version_of_the_sequence_count(image: MadeImage, name: str, at: int) -> None:
    # ECMA-167 2/9.2, 2/9.3 and 3/9.1: structure type 0, structure version 1.
    data = flip(image.data, image.at("recognition", path=name) + at)
    assert rules(data) == {"udf-recognition"}
    assert udf_of(data) == udf_of(image.data)


def test_a_damaged_anchor_at_a_place_for_unclosed_media_is_found() -> None:
    # Linux kernel 6.1, fs/udf/super.c: 512 on media that were not closed.
    plain = make_udf({"A.TXT": b"a" * (300 * SECTOR)}, SECTOR)
    more = tagged(2, 512, plain[256 * SECTOR + 16 : 256 * SECTOR + 48])
    data = put(plain, 512 * SECTOR, more)
    assert rules(data) == set()
    assert rules(flip(data, 512 * SECTOR + 20)) == {"udf-anchor-copy"}
    # A file's bytes there may begin like a tag.
    assert rules(put(data, 512 * SECTOR, b"\x02\0\x02\0" + b"text" * 4)) == set()


def test_one_sound_anchor_is_enough(image: MadeImage) -> None:
    # ECMA-167 3/10.2.
    first = zero(image.data, image.at("anchor"))
    assert rules(first) == {"udf-tag"}
    assert udf_of(first) == udf_of(image.data)
    neither = zero(first, image.at("last-anchor"))
    assert "udf-anchor" in rules(neither)
    last = zero(image.data, image.at("last-anchor"))
    assert udf_of(last) == udf_of(image.data)
    assert rules(last) == {"udf-anchor-copy"}
    # Zeros that somebody added do not hide the one at the end.
    for added in (299, 400, 3000):
        assert rules(image.data + bytes(added * SECTOR)) == set()
        assert rules(last + bytes(added * SECTOR)) == {"udf-anchor-copy"}
    small = make_udf({"A.TXT": b"alpha"}, 512)
    assert rules(small + bytes(150 * SECTOR)) == rules(small)


@pytest.mark.parametrize("at", [0, 4, 8, 12, 16, 40, 511])
def test_one_wrong_byte_of_a_later_anchor_is_no_worse_than_its_loss(
    image: MadeImage, at: int
) -> None:
    # UDF 2.60, 2.2.3: two are recorded; systems need one, and read the one at 256 first.
    place = image.at("last-anchor")
    lost, damaged = (
        read_disc(BytesView(data)).findings
        for data in (zero(image.data, place), flip(image.data, place + at))
    )
    for (finding,) in (lost, damaged):
        assert (finding.rule, finding.severity) == ("udf-anchor-copy", Severity.WARNING)
        assert finding.offset == place
    assert udf_of(flip(image.data, place + at)) == udf_of(image.data)


@pytest.mark.parametrize("size", [0, 1, 512, 2047, 2049, 4096])
def test_blocks_of_another_size_than_those_of_the_anchor_are_damage(
    image: MadeImage, size: int
) -> None:
    # ECMA-167 3/10.6; from memory: UDF 2.60, 2.2.4.2, blocks are as large as sectors.
    lba = image.at("udf-descriptors") // SECTOR + 1
    block = image.data[lba * SECTOR : (lba + 1) * SECTOR]
    volume = tagged(6, lba, block[16:212] + le32(size) + block[216:512])
    assert rules(put(image.data, lba * SECTOR, tagged(6, lba, block[16:512]))) == set()
    changed = put(image.data, lba * SECTOR, volume)
    told = {finding.rule: finding for finding in read_disc(BytesView(changed)).findings}
    assert set(told) == {"udf-volume-descriptors", "udf-contents-not-read"}
    finding = told["udf-volume-descriptors"]
    assert (finding.severity, finding.offset) == (Severity.ERROR, (lba - 1) * SECTOR)
    assert (finding.found, finding.expected) == (f"{size:,} bytes", "2,048 bytes")


def test_an_anchor_256_blocks_before_the_end(image: MadeImage) -> None:
    # Linux kernel 6.12, fs/udf/super.c: 256, the last block, 256 before it.
    data = zero(zero(image.data, image.at("anchor")), image.at("last-anchor"))
    padded = data + bytes(400 * SECTOR)
    place = len(padded) // SECTOR - 1 - ANCHOR
    assert place * SECTOR > len(data)
    sequence = parse_sequence(image)
    padded = put(padded, place * SECTOR, anchor(place, *sequence))
    volume = udf_of(padded)
    assert volume is not None
    assert volume.label == "TIDES"


def parse_sequence(image: MadeImage) -> tuple[int, int]:
    """Location and length of the main descriptor sequence, from the first anchor."""
    at = image.at("anchor") + 16
    length = int.from_bytes(image.data[at : at + 4], "little")
    return int.from_bytes(image.data[at + 4 : at + 8], "little"), length


@pytest.mark.parametrize("at", [*range(16), 16, 40, 511])
def test_every_byte_of_an_anchor_counts(image: MadeImage, at: int) -> None:
    # ECMA-167 3/7.2 and 3/10.2.
    start = image.at("anchor")
    # Bytes 5 to 7 and the serial number are covered by the tag's checksum.
    assert "udf-tag" in rules(flip(image.data, start + at))


@pytest.mark.parametrize("at", [0, 4, 8, 12, 24, 84, 212, 500])
@pytest.mark.parametrize("number", [0, 1])
def test_every_part_of_the_volume_descriptors_counts(
    image: MadeImage, number: int, at: int
) -> None:
    # ECMA-167 3/10.5 and 3/10.6.
    data = flip(image.data, image.at("udf-descriptors") + number * SECTOR + at)
    assert rules(data)


def test_an_impossible_crc_length_is_named(image: MadeImage) -> None:
    # ECMA-167 3/7.2.
    head = bytearray(tagged(2, ANCHOR, b"")[:16])
    head[10:12] = b"\xff\xff"
    head[4] = tag_checksum(bytes(head))
    assert "udf-tag" in rules(put(image.data, image.at("anchor"), bytes(head)))


def test_the_volume_that_pycdlib_writes(tmp_path: Path) -> None:
    iso = pycdlib.PyCdlib()
    iso.new(udf="2.60", vol_ident="HARBOUR")
    iso.add_fp(BytesIO(b"foo"), 3, "/FOO.TXT;1", udf_path="/foo.txt")
    path = tmp_path / "udf.iso"
    iso.write(str(path))
    iso.close()
    with open_image(path) as opened:
        volume = opened.facts.volume(VolumeKind.UDF)
        assert volume is not None
        assert volume.detail == "NSR02"
        assert {finding.rule for finding in opened.findings} <= {"descriptor-characters"}


@pytest.mark.parametrize("names", [["NSR02"], ["BEA01", "NSR02"], ["NSR02", "TEA01"]])
def test_a_disc_with_a_frame_must_say_what_udf_it_has(image: MadeImage, names: list[str]) -> None:
    # ECMA-167 3/9.1.
    data = image.data
    for name in names:
        data = zero(data, image.at("recognition", path=name))
    assert rules(data) == {"udf-announced"}


@pytest.mark.parametrize("in_file", [False, True])
def test_an_anchor_alone_tells_that_there_was_udf(in_file: bool, tmp_path: Path) -> None:
    # ECMA-167 3/9.1 and 3/10.2; in a file the anchor is the file's.
    made = make_iso({"A.TXT": bytes(SECTOR), "B.TXT": b"b"}, udf="NSR02", pad_sectors=300)
    data = made.data
    for name in ("BEA01", "NSR02", "TEA01"):
        data = zero(data, made.at("recognition", path=name))
    if in_file:
        data = put(data, made.record("/A.TXT") + 2, both32(ANCHOR))
    path = tmp_path / "disc.iso"
    path.write_bytes(data)
    with open_image(path) as disc:
        assert disc.findings == ()
        found = [finding.rule for finding in check_structure(disc)]
    assert found == ([] if in_file else ["udf-announced"])
    path.write_bytes(zero(data, made.at("anchor")))
    with open_image(path) as disc:
        assert list(check_structure(disc)) == []


@pytest.mark.parametrize("block", [257, 258])
def test_a_main_sequence_that_was_never_read_is_named(block: int) -> None:
    # ECMA-167 3/10.2: the reserve sequence stands in for the main one.
    data = make_udf({"A.TXT": b"a"}, SECTOR)
    volumes = [
        read_disc(BytesView(each)).facts.volumes for each in (data, zero(data, 257 * SECTOR))
    ]
    assert volumes[0] == volumes[1]
    assert rules(zero(data, block * SECTOR)) == {"udf-reserve-sequence"}
