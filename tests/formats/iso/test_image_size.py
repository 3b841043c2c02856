"""The image's size against its volume's: cut, padded, followed by something."""

from __future__ import annotations

import zlib

import pytest

from byte_views import BytesView
from image_parts import SECTOR, both32
from make_hybrid import partition_table
from make_image import Boot, MadeImage, make_iso, put
from mediashelf.findings import Severity
from mediashelf.formats.disc import DiscReading, read_disc
from mediashelf.formats.image_size import PAD_SECTORS


@pytest.fixture(scope="module")
def padded() -> MadeImage:
    return make_iso({"A.TXT": b"a" * 5000, "B.TXT": b"b" * 3000}, joliet=3, pad_sectors=10)


def read(data: bytes) -> DiscReading:
    return read_disc(BytesView(data))


def rules(data: bytes) -> set[str]:
    return {finding.rule for finding in read(data).findings}


def test_the_control_has_no_findings(padded: MadeImage) -> None:
    assert read(padded.data).findings == ()


def test_a_missing_pad_loses_nothing(padded: MadeImage) -> None:
    # ECMA-119 8.4.8; that nothing is lost is own behaviour.
    (finding,) = read(padded.data[: -10 * SECTOR]).findings
    assert finding.rule == "image-reaches-volume-end"
    assert finding.severity is Severity.WARNING
    assert finding.offset == len(padded.data) - 10 * SECTOR
    assert "nothing is recorded in the missing part" in finding.message


def test_a_pointer_past_the_end_of_a_whole_image_is_not_a_cut(padded: MadeImage) -> None:
    # ECMA-119 9.1.4: the extent is wrong; to copy the image again would change nothing.
    record = padded.record("/B.TXT") + 2
    data = put(padded.data, record, both32(len(padded.data) // SECTOR + 7))
    (finding,) = read(data).findings
    assert (finding.rule, finding.severity) == ("extent-inside-image", Severity.ERROR)
    assert "copy is not complete" not in finding.remedy


def test_structures_that_are_cut_are_an_error() -> None:
    # ECMA-119 8.4.8; no file lies there, the boot image does.
    made = make_iso({}, boot=Boot(b"\xeb\xfe" + bytes(8 * SECTOR), sectors=16))
    found = rules(made.data[: made.at("boot-image") + SECTOR])
    assert found == {"image-is-whole", "boot-image-inside"}


def test_a_cut_through_a_file_is_an_error_that_names_the_file(padded: MadeImage) -> None:
    # ECMA-119 8.4.8 and 9.1.4.
    disc = read(padded.data[: padded.file("/B.TXT") + SECTOR])
    found = {finding.rule: finding for finding in disc.findings}
    assert found.keys() == {"image-is-whole", "extent-inside-image"}
    assert found["image-is-whole"].severity is Severity.ERROR
    places = [f.where for f in disc.findings if f.rule == "extent-inside-image"]
    assert places == ["/B.TXT", "/B.TXT (joliet)"]
    assert "952 of 3,000 bytes" in found["extent-inside-image"].message


@pytest.mark.parametrize("size", [1, 100, 2047])
def test_an_end_inside_a_sector(padded: MadeImage, size: int) -> None:
    # Linux kernel 6.12, Documentation/usb/mass-storage.rst: whole blocks of 2048 bytes.
    found = rules(padded.data[:-SECTOR] + bytes(size))
    assert found == {"whole-sectors", "image-reaches-volume-end"}


def test_every_cut_is_noticed(padded: MadeImage) -> None:
    # ECMA-119 8.4.8.
    for size in range(0, len(padded.data), 512):
        disc = read(padded.data[:size])
        assert disc.findings, size
        assert max(finding.severity for finding in disc.findings) >= Severity.WARNING


def test_the_usual_pad_of_writers_is_no_finding(padded: MadeImage) -> None:
    # Common practice: up to 150 sectors of zeros behind the volume.
    assert rules(padded.data + bytes(PAD_SECTORS * SECTOR)) == set()


@pytest.mark.parametrize(
    "more", [bytes((PAD_SECTORS + 1) * SECTOR), b"\1" + bytes(SECTOR - 1)], ids=["long", "not zero"]
)
def test_anything_else_behind_the_volume_is_a_note(padded: MadeImage, more: bytes) -> None:
    # Common practice.
    (finding,) = read(padded.data + more).findings
    assert (finding.rule, finding.severity) == ("nothing-after-volume", Severity.NOTE)
    assert finding.offset == len(padded.data)


def test_what_follows_on_a_bridge_disc_may_be_udf() -> None:
    # Common practice.
    made = make_iso({"A.TXT": b"a"}, udf="NSR02")
    at = made.field("primary", "volume_space_size")
    smaller = bytearray(made.data)
    blocks = len(made.data) // SECTOR - 1
    smaller[at : at + 8] = blocks.to_bytes(4, "little") + blocks.to_bytes(4, "big")
    assert read(bytes(smaller)).findings == ()


def test_a_hybrid_image_ends_with_its_last_partition(padded: MadeImage) -> None:
    # Own behaviour: such an image starts as a disk too, and its partitions may follow the volume.
    size = len(padded.data) // 512
    both = ((0x17, 0, size), (0xEF, size, 400))
    data = put(padded.data, 446, partition_table(*both)) + bytes(400 * 512)
    assert rules(data) == set()
    (finding,) = read(data[: -300 * 512]).findings
    assert (finding.rule, finding.length) == ("image-reaches-partition-end", 300 * 512)
    # What is not a table says nothing: another status, or no signature.
    assert rules(put(padded.data, 446, partition_table(*both, status=7))) == set()
    assert rules(put(padded.data, 446, partition_table(*both)[:-1])) == set()


def guid_header(own: int, other: int) -> bytes:
    """A header of a GUID partition table without entries, with its CRC."""
    places = own.to_bytes(8, "little") + other.to_bytes(8, "little")
    head, body = b"EFI PART" + bytes(4) + (92).to_bytes(4, "little"), bytes(4) + places
    crc = zlib.crc32(head + bytes(4) + body.ljust(72, b"\0"))
    return head + crc.to_bytes(4, "little") + body.ljust(72, b"\0")


@pytest.mark.parametrize("is_whole", [False, True])
def test_the_second_header_of_a_gpt_ends_the_image(padded: MadeImage, is_whole: bool) -> None:
    # Own behaviour; the layout is that of the UEFI Specification 5.3, from memory.
    second = len(padded.data) // 512 - 1 if is_whole else 4000
    data = put(padded.data, 446, partition_table((0xEE, 1, 0xFFFF_FFFF)))
    data = put(data, 512, guid_header(1, second))
    if is_whole:
        data = put(data, second * 512, guid_header(second, 1))
    assert rules(data) == (set() if is_whole else {"image-reaches-partition-end"})
