"""UDF on media that are written once, or that wear out: blocks are found where they have moved.

Layouts: UDF 2.60, 2.2.8, 2.2.9, 2.2.11 and 2.2.12, as the Linux kernel 6.1 has them
(fs/udf/osta_udf.h, super.c, partition.c).
"""

from __future__ import annotations

import random
import struct

import pytest

from byte_views import BytesView
from image_parts import tagged_bare
from image_udf import make_udf, regid
from make_image import flip
from mediashelf.findings import Severity
from mediashelf.formats.structure_rules import ProblemLog
from mediashelf.formats.udf.volume import read_udf_volume
from mediashelf.formats.volume import SECTOR_SIZE, VolumeFacts

FILES = {"A.TXT": b"a" * 5000, "DIR/B.TXT": b"b" * 100, "C.TXT": b"c" * 70_000}
PACKET = 8  # blocks
ANCHOR = 256
MAIN = 257  # LBA of the main sequence of what make_udf makes

PLAIN_MAP = bytes([1, 6]) + struct.pack("<HH", 1, 0)


def type_2(identifier: bytes, more: bytes = b"") -> bytes:
    row = bytes([2, 64, 0, 0]) + regid(identifier) + struct.pack("<HH", 1, 0) + more
    return row.ljust(64, b"\0")


def tagged(tag: int, location: int, body: bytes) -> bytes:
    return tagged_bare(tag, location, body).ljust(SECTOR_SIZE, b"\0")


class Disc:
    """A UDF disc with one partition, whose descriptors and blocks can be exchanged."""

    def __init__(self) -> None:
        data = make_udf(FILES, SECTOR_SIZE)
        self.blocks = [data[at : at + SECTOR_SIZE] for at in range(0, len(data), SECTOR_SIZE)]
        self.start = next(
            struct.unpack_from("<I", block, 188)[0]
            for block in self.blocks[MAIN:]
            if block[:2] == struct.pack("<H", 5)
        )

    @property
    def data(self) -> bytes:
        return b"".join(self.blocks)

    def set_maps(self, *rows: bytes) -> None:
        for lba, block in enumerate(self.blocks):
            is_volume = struct.unpack_from("<H", block)[0] == 6 and lba >= MAIN
            if is_volume and struct.unpack_from("<I", block, 12)[0] == lba:
                table = struct.pack("<II", sum(map(len, rows)), len(rows))
                body = block[16:264] + table + block[272:440] + b"".join(rows)
                self.blocks[lba] = tagged(6, lba, body)


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


def file_entry(block: int, file_type: int, size: int, first: int) -> bytes:
    body = bytearray(160)
    body[27 - 16] = file_type
    struct.pack_into("<Q", body, 56 - 16, size)
    struct.pack_into("<II", body, 168 - 16, 0, 8)
    return tagged(0x0105, block, bytes(body) + struct.pack("<II", size, first))


def virtual_disc(*, old: bool, written_after: int = 0) -> Disc:
    """Every block of the partition moved, as on a disc that was written over and over."""
    disc = Disc()
    disc.set_maps(type_2(b"*UDF Virtual Partition"), PLAIN_MAP)
    (reserve,) = struct.unpack_from("<I", disc.blocks[ANCHOR], 28)
    count = reserve - disc.start  # the reserve sequence and an anchor come after it
    places = list(range(count))
    random.Random(5).shuffle(places)
    moved = disc.blocks[disc.start : disc.start + count]
    for block, place in enumerate(places):
        disc.blocks[disc.start + place] = moved[block]
    table = struct.pack(f"<{count}I", *places)
    if old:
        table += regid(b"*UDF Virtual Alloc Tbl") + struct.pack("<I", 0xFFFFFFFF)
    else:
        table = struct.pack("<HH", 152, 0).ljust(152, b"\0") + table
    first = len(disc.blocks) - disc.start
    disc.blocks += [table[at:][:SECTOR_SIZE] for at in range(0, len(table), SECTOR_SIZE)]
    disc.blocks[-1] = disc.blocks[-1].ljust(SECTOR_SIZE, b"\0")
    block = len(disc.blocks) - disc.start
    disc.blocks.append(file_entry(block, 0 if old else 0xF8, len(table), first))
    disc.blocks += [bytes(SECTOR_SIZE)] * written_after
    return disc


@pytest.mark.parametrize("old", [True, False], ids=["1.50", "2.00"])
@pytest.mark.parametrize("written_after", [0, 3])
def test_virtual_blocks_are_found_through_their_table(old: bool, written_after: int) -> None:
    volume, contents, rules = read(virtual_disc(old=old, written_after=written_after).data)
    assert rules == []
    assert contents == EXPECTED
    assert volume.is_complete


@pytest.mark.parametrize("old", [True, False], ids=["1.50", "2.00"])
def test_a_table_that_is_not_found_is_a_note(old: bool) -> None:
    """It may be on blocks that the image lacks; nothing else can tell where anything is."""
    for data in (
        virtual_disc(old=old, written_after=4).data,
        virtual_disc(old=old).data[:-SECTOR_SIZE],
        flip(virtual_disc(old=old).data, len(virtual_disc(old=old).data) - SECTOR_SIZE + 60),
    ):
        volume, contents, rules = read(data)
        assert rules == [("udf-contents-not-read", Severity.NOTE)]
        assert (contents, volume.entries_read, volume.is_complete) == ({}, False, False)


def test_a_table_that_lacks_a_block_is_damage() -> None:
    disc = virtual_disc(old=True)
    table = len(disc.blocks) - 2
    disc.blocks[table] = b"\xff" * 4 + disc.blocks[table][4:]
    volume, _, rules = read(disc.data)
    assert ("udf-address", Severity.ERROR) in rules
    assert not volume.is_complete


def test_a_table_that_is_said_to_be_in_the_virtual_partition_ends() -> None:
    disc = virtual_disc(old=True)
    entry = bytearray(disc.blocks[-1])
    body = bytearray(entry[16:184])
    body[34 - 16] = 1  # long allocation descriptors (ECMA-167 4/14.6.8)
    body[172 - 16] = 16
    body[176 - 16 :] = struct.pack("<IIH6x", 64, 1, 0)
    disc.blocks[-1] = tagged(0x0105, struct.unpack_from("<I", entry, 12)[0], bytes(body))
    volume, _, rules = read(disc.data)
    assert rules == [("udf-contents-not-read", Severity.NOTE)]
    assert not volume.is_complete


def sparable_disc() -> tuple[Disc, int]:
    """One packet was replaced; what is left in its place is noise. Returns the table's LBA too."""
    disc = Disc()
    end = len(disc.blocks)
    table, spare = end, end + 2
    disc.set_maps(
        type_2(
            b"*UDF Sparable Partition",
            struct.pack("<HBxI4I", PACKET, 2, SECTOR_SIZE, table, table + 1, 0, 0),
        )
    )
    packet = disc.start + PACKET
    for lba in (table, table + 1):
        entries = struct.pack("<IIII", PACKET, spare, 0xFFFFFFFF, spare + PACKET)
        body = regid(b"*UDF Sparing Table") + struct.pack("<HHI", 2, 0, 1) + entries
        disc.blocks.append(tagged(0, lba, body))
    disc.blocks += disc.blocks[packet : packet + PACKET]
    noise = random.Random(7)
    disc.blocks[packet : packet + PACKET] = [noise.randbytes(SECTOR_SIZE) for _ in range(PACKET)]
    return disc, table


def test_spare_packets_are_read_in_place_of_those_that_failed() -> None:
    disc, table = sparable_disc()
    volume, contents, rules = read(disc.data)
    assert rules == []
    assert contents == EXPECTED
    assert volume.is_complete
    disc.blocks[table] = flip(disc.blocks[table], 60)  # the copy serves
    assert read(disc.data)[1:] == (EXPECTED, [])


def test_without_a_sparing_table_nothing_is_read() -> None:
    disc, table = sparable_disc()
    for lba in (table, table + 1):
        disc.blocks[lba] = flip(disc.blocks[lba], 60)
    volume, contents, rules = read(disc.data)
    assert set(rules) == {
        ("udf-tag", Severity.ERROR),
        ("udf-contents-not-read", Severity.NOTE),
    }
    assert (contents, volume.is_complete) == ({}, False)
