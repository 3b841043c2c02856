"""UDF on media that are written once, or that wear out: blocks are found where they have moved.

Layouts: UDF 2.60, 2.2.8, 2.2.9, 2.2.11 and 2.2.12, as the Linux kernel 6.1 has them
(fs/udf/osta_udf.h, super.c, partition.c).
"""

from __future__ import annotations

import struct

import pytest

from byte_views import BytesView
from image_moved import sparable_disc, tagged, virtual_disc
from make_image import flip
from mediashelf.findings import Severity
from mediashelf.formats.problem_log import ProblemLog
from mediashelf.formats.udf.volume import read_udf_volume
from mediashelf.formats.volume import SECTOR_SIZE, VolumeFacts

FILES = {"A.TXT": b"a" * 5000, "DIR/B.TXT": b"b" * 100, "C.TXT": b"c" * 70_000}


def read(data: bytes) -> tuple[VolumeFacts, dict[str, bytes], list[tuple[str, Severity]]]:
    log = ProblemLog()
    volume = read_udf_volume(BytesView(data), log)
    assert volume is not None
    contents = {
        entry.path: b"".join(
            data[extent.lba * SECTOR_SIZE + extent.offset :][: extent.size]
            for extent in entry.extents
        )
        for entry in volume.files
    }
    return volume, contents, [(each.rule, each.severity) for each in log.findings()]


EXPECTED = {f"/{path}": data for path, data in FILES.items()}


@pytest.mark.parametrize("old", [True, False], ids=["1.50", "2.00"])
@pytest.mark.parametrize("written_after", [0, 3, 150])
def test_virtual_blocks_are_found_through_their_table(old: bool, written_after: int) -> None:
    volume, contents, rules = read(virtual_disc(FILES, old=old, written_after=written_after).data)
    assert rules == []
    assert contents == EXPECTED
    assert volume.is_complete


@pytest.mark.parametrize("old", [True, False], ids=["1.50", "2.00"])
def test_a_table_that_is_not_found_is_told(old: bool) -> None:
    """It may be on blocks that the image lacks; nothing else can tell where anything is."""
    whole = virtual_disc(FILES, old=old).data
    for data in (
        whole + b"\1" * 4 * SECTOR_SIZE,
        whole[:-SECTOR_SIZE],
        flip(whole, len(whole) - SECTOR_SIZE + 60),
    ):
        volume, contents, rules = read(data)
        assert rules == [("udf-moved-blocks", Severity.ERROR)]
        assert (contents, volume.entries_read, volume.is_complete) == ({}, False, False)


def test_a_table_that_lacks_a_block_is_damage() -> None:
    disc = virtual_disc(FILES, old=True)
    table = len(disc.blocks) - 2
    disc.blocks[table] = b"\xff" * 4 + disc.blocks[table][4:]
    volume, _, rules = read(disc.data)
    assert ("udf-address", Severity.ERROR) in rules
    assert not volume.is_complete


def test_a_table_that_is_said_to_be_in_the_virtual_partition_ends() -> None:
    disc = virtual_disc(FILES, old=True)
    entry = bytearray(disc.blocks[-1])
    body = bytearray(entry[16:184])
    body[34 - 16] = 1  # long allocation descriptors (ECMA-167 4/14.6.8)
    body[172 - 16] = 16
    body[176 - 16 :] = struct.pack("<IIH6x", 64, 1, 0)
    disc.blocks[-1] = tagged(0x0105, struct.unpack_from("<I", entry, 12)[0], bytes(body))
    volume, _, rules = read(disc.data)
    assert rules == [("udf-moved-blocks", Severity.ERROR)]
    assert not volume.is_complete


def test_spare_packets_are_read_in_place_of_those_that_failed() -> None:
    disc, _ = sparable_disc(FILES)
    volume, contents, rules = read(disc.data)
    assert rules == []
    assert contents == EXPECTED
    assert volume.is_complete


@pytest.mark.parametrize(
    ("copy", "how"), [(0, "damaged"), (0, "zeros"), (1, "damaged"), (1, "zeros"), (1, "other")]
)
def test_a_copy_of_the_sparing_table_that_is_not_needed_is_named(copy: int, how: str) -> None:
    # UDF 2.60, 2.2.12: each copy stands in for the others.
    disc, table = sparable_disc(FILES)
    lba = table + copy
    empty = bytearray(disc.blocks[lba][16:72])
    struct.pack_into("<I", empty, 56 - 16, 0xFFFFFFFF)  # its first entry replaces nothing
    disc.blocks[lba] = {
        "damaged": flip(disc.blocks[lba], 60),
        "zeros": bytes(SECTOR_SIZE),
        "other": tagged(0, lba, bytes(empty)),
    }[how]
    volume, contents, rules = read(disc.data)
    assert rules == [("udf-sparing-tables", Severity.WARNING)]
    assert (contents, volume.is_complete) == (EXPECTED, True)


def test_without_a_sparing_table_nothing_is_read() -> None:
    disc, table = sparable_disc(FILES)
    for lba in (table, table + 1):
        disc.blocks[lba] = flip(disc.blocks[lba], 60)
    volume, contents, rules = read(disc.data)
    assert set(rules) == {
        ("udf-tag", Severity.ERROR),
        ("udf-moved-blocks", Severity.ERROR),
    }
    assert (contents, volume.is_complete) == ({}, False)
