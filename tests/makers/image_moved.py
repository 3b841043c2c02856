"""UDF discs whose blocks have moved: through a virtual allocation table, or to spare packets."""

from __future__ import annotations

import random
import struct
from collections.abc import Mapping

from image_parts import dstring, tagged_bare
from image_udf import icb_tag, make_udf, regid

SECTOR_SIZE = 2048
ANCHOR = 256
PACKET = 8  # blocks
MAIN = 257  # LBA of the main sequence of what make_udf makes

PLAIN_MAP = bytes([1, 6]) + struct.pack("<HH", 1, 0)


def suffix(revision: int) -> bytes:
    """What ends a UDF identifier (UDF 2.60, 2.1.5.3)."""
    return struct.pack("<H", revision)


def type_2(identifier: bytes, revision: int, more: bytes = b"") -> bytes:
    row = (
        bytes([2, 64, 0, 0]) + regid(identifier, suffix(revision)) + struct.pack("<HH", 1, 0) + more
    )
    return row.ljust(64, b"\0")


def tagged(tag: int, location: int, body: bytes) -> bytes:
    return tagged_bare(tag, location, body).ljust(SECTOR_SIZE, b"\0")


class Disc:
    """A UDF disc with one partition, whose descriptors and blocks can be exchanged."""

    def __init__(self, files: Mapping[str, bytes], standard: str = "NSR02") -> None:
        data = make_udf(files, SECTOR_SIZE, standard)
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

    def set_end(self, end: int) -> None:
        """Let the partition reach to block ``end``, in both sequences."""
        for lba, block in enumerate(self.blocks):
            if block[:2] == struct.pack("<H", 5) and block[12:16] == struct.pack("<I", lba):
                count = struct.pack("<I", end - self.start)
                self.blocks[lba] = tagged(5, lba, block[16:192] + count + block[196:512])


def file_entry(block: int, file_type: int, size: int, first: int) -> bytes:
    body = bytearray(icb_tag(file_type) + bytes(140))
    struct.pack_into("<Q", body, 56 - 16, size)
    struct.pack_into("<II", body, 168 - 16, 0, 8)
    return tagged(0x0105, block, bytes(body) + struct.pack("<II", size, first))


def virtual_disc(files: Mapping[str, bytes], *, old: bool, written_after: int = 0) -> Disc:
    """Every block of the partition moved, as on a disc that was written over and over."""
    disc = Disc(files, "NSR02" if old else "NSR03")
    revision = 0x0150 if old else 0x0201
    disc.set_maps(type_2(b"*UDF Virtual Partition", revision), PLAIN_MAP)
    (reserve,) = struct.unpack_from("<I", disc.blocks[ANCHOR], 28)
    count = reserve - disc.start  # the reserve sequence and an anchor come after it
    places = list(range(count))
    random.Random(5).shuffle(places)
    moved = disc.blocks[disc.start : disc.start + count]
    for block, place in enumerate(places):
        disc.blocks[disc.start + place] = moved[block]
    table = struct.pack(f"<{count}I", *places)
    if old:
        table += regid(b"*UDF Virtual Alloc Tbl", suffix(revision)) + struct.pack("<I", 0xFFFFFFFF)
    else:
        head = struct.pack("<HH", 152, 0) + dstring("BLOCKS", 128)
        revisions = (revision, revision, revision)  # to read, to write, at most to write
        table = head + struct.pack("<IIIHHHH", 0xFFFFFFFF, 0, 0, *revisions, 0) + table
    first = len(disc.blocks) - disc.start
    disc.blocks += [table[at:][:SECTOR_SIZE] for at in range(0, len(table), SECTOR_SIZE)]
    disc.blocks[-1] = disc.blocks[-1].ljust(SECTOR_SIZE, b"\0")
    block = len(disc.blocks) - disc.start
    disc.blocks.append(file_entry(block, 0 if old else 0xF8, len(table), first))
    disc.set_end(len(disc.blocks))
    disc.blocks += [bytes(SECTOR_SIZE)] * written_after
    return disc


def sparable_disc(files: Mapping[str, bytes]) -> tuple[Disc, int]:
    """One packet was replaced; what is left in its place is noise. Returns the table's LBA too."""
    disc = Disc(files)
    end = len(disc.blocks)
    table, spare = end, end + 2
    disc.set_maps(
        type_2(
            b"*UDF Sparable Partition",
            0x0150,
            struct.pack("<HBxI4I", PACKET, 2, SECTOR_SIZE, table, table + 1, 0, 0),
        )
    )
    packet = disc.start + PACKET
    for lba in (table, table + 1):
        entries = struct.pack("<IIII", PACKET, spare, 0xFFFFFFFF, spare + PACKET)
        body = regid(b"*UDF Sparing Table", suffix(0x0150)) + struct.pack("<HHI", 2, 0, 1) + entries
        disc.blocks.append(tagged(0, lba, body))
    disc.blocks += disc.blocks[packet : packet + PACKET]
    noise = random.Random(7)
    disc.blocks[packet : packet + PACKET] = [noise.randbytes(SECTOR_SIZE) for _ in range(PACKET)]
    return disc, table
