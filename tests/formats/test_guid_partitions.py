"""GUID partition tables of hybrid images: every byte of both counts, and sound ones are sound.

The outside witness is pycdlib 1.22, which writes such images (``add_isohybrid``).
"""

from __future__ import annotations

import io
import zlib

import pycdlib
import pytest

from byte_views import BytesView
from image_parts import le32
from make_image import flip, make_iso, put
from mediashelf.findings import Finding
from mediashelf.formats.disc import read_disc

SECTOR = 512


@pytest.fixture(scope="module")
def image() -> bytes:
    """A hybrid image that pycdlib writes."""
    disc = pycdlib.PyCdlib()
    disc.new(interchange_level=3)
    loader = b"\xeb\x3e" + bytes(62) + b"\xfb\xc0\x78\x70" + b"code" * 1000
    floppy = b"\xeb\x3c\x90" + bytes(507) + b"\x55\xaa" + bytes(4096)
    for name, data in (("/LOADER.BIN;1", loader), ("/EFI.IMG;1", floppy)):
        disc.add_fp(io.BytesIO(data), len(data), name)
    disc.add_eltorito("/LOADER.BIN;1", "/BOOT.CAT;1", boot_load_size=4, boot_info_table=True)
    disc.add_eltorito("/EFI.IMG;1", efi=True)
    disc.add_isohybrid(efi=True)
    stream = io.BytesIO()
    disc.write_fp(stream)
    return stream.getvalue()


def tables(data: bytes) -> list[Finding]:
    rule = "partition-table-checksum"
    return [found for found in read_disc(BytesView(data)).findings if found.rule == rule]


def test_what_pycdlib_writes_is_sound(image: bytes) -> None:
    assert image[SECTOR : SECTOR + 8] == b"EFI PART"
    assert tables(image) == []
    assert tables(make_iso({"A.TXT": b"a"}).data) == []


def whole_arrays(image: bytes) -> bytes:
    """The same with CRCs of all 128 entries, as other writers take them."""
    data = image
    for start, entries in ((SECTOR, 2 * SECTOR), (len(image) - SECTOR, len(image) - 33 * SECTOR)):
        data = put(data, start + 88, le32(zlib.crc32(data[entries : entries + 128 * 128])))
        data = put(data, start + 16, bytes(4))
        data = put(data, start + 16, le32(zlib.crc32(data[start : start + 92])))
    return data


def test_a_crc_of_all_entries_is_sound_too(image: bytes) -> None:
    data = whole_arrays(image)
    assert tables(data) == []
    assert len(tables(flip(data, 2 * SECTOR + 127 * 128))) == 1


@pytest.mark.parametrize("at", [*range(8, 92, 5), 16, 19, 24, 32, 72, 80, 84, 88])
@pytest.mark.parametrize("is_first", [True, False])
def test_every_byte_of_a_header_counts(image: bytes, at: int, is_first: bool) -> None:
    start = SECTOR if is_first else len(image) - SECTOR
    findings = tables(flip(image, start + at))
    assert [finding.offset for finding in findings] == [start]


@pytest.mark.parametrize("at", [0, 16, 32, 40, 60, 128, 160])
def test_every_byte_of_an_entry_counts(image: bytes, at: int) -> None:
    assert [each.offset for each in tables(flip(image, 2 * SECTOR + at))] == [2 * SECTOR]
    other = len(image) - 33 * SECTOR
    assert [each.offset for each in tables(flip(image, other + at))] == [other]


@pytest.mark.parametrize("at", range(8))
def test_a_header_that_is_not_there_is_named(image: bytes, at: int) -> None:
    assert [each.offset for each in tables(flip(image, SECTOR + at))] == [SECTOR]
    last = len(image) - SECTOR
    assert [each.offset for each in tables(flip(image, last + at))] == [last]


def test_hostile_numbers_end(image: bytes) -> None:
    for numbers in (b"\xff" * 16, bytes(8) + le32(1) * 2, bytes(16)):
        data = put(put(image, SECTOR + 72, numbers), SECTOR + 16, bytes(4))
        data = put(data, SECTOR + 16, le32(zlib.crc32(data[SECTOR : SECTOR + 92])))
        assert len(tables(data)) <= 1
