"""Make floppy images with a FAT12 volume for tests, byte by byte."""

from __future__ import annotations

import struct
from collections.abc import Mapping

SECTOR = 512
# bytes of the image: sectors in all, sectors a cluster, sectors a table, top entries, media,
# sectors a track (the usual parameters of such disks, common practice)
FORMATS = {
    1_228_800: (2400, 1, 7, 224, 0xF9, 15),
    1_474_560: (2880, 1, 9, 224, 0xF0, 18),
    2_949_120: (5760, 2, 9, 240, 0xF0, 36),
}


def make_floppy(
    files: Mapping[str, bytes], *, size: int = 1_474_560, scatter: bool = False
) -> bytes:
    """Return a floppy image with these files in its top folder.

    With ``scatter`` every other cluster stays free, so that no file lies in one piece.
    """
    total, per_cluster, per_table, entries, media, track = FORMATS[size]
    image = bytearray(size)
    image[0:11] = b"\xeb\x3c\x90TESTDISK"
    struct.pack_into(
        "<HBHBHHBHHHII", image, 11, SECTOR, per_cluster, 1, 2, entries, total, media, per_table,
        track, 2, 0, 0,
    )  # fmt: skip
    image[36:62] = b"\x00\x00\x29\x12\x06\x19\x99TEST DISK  FAT12   "
    image[510:512] = b"\x55\xaa"
    top = (1 + 2 * per_table) * SECTOR
    data = top + entries * 32
    step = 2 if scatter else 1
    table = {0: 0xF00 | media, 1: 0xFFF}
    cluster = 2
    for number, (name, content) in enumerate(files.items()):
        stem, _, extension = name.partition(".")
        entry = stem.ljust(8).encode("cp437") + extension.ljust(3).encode("cp437") + b"\x20"
        first = cluster if content else 0
        entry += bytes(10) + struct.pack("<HHHI", 0x6000, 0x26A1, first, len(content))
        image[top + number * 32 : top + number * 32 + 32] = entry
        unit = per_cluster * SECTOR
        for start in range(0, len(content), unit):
            place = data + (cluster - 2) * unit
            piece = content[start : start + unit]
            image[place : place + len(piece)] = piece
            last = start + unit >= len(content)
            table[cluster] = 0xFFF if last else cluster + step
            cluster += step
    for copy in range(2):
        start = (1 + copy * per_table) * SECTOR
        for number, value in table.items():
            at = start + number + number // 2
            pair = int.from_bytes(image[at : at + 2], "little")
            pair = pair & 0x000F | value << 4 if number % 2 else pair & 0xF000 | value
            image[at : at + 2] = pair.to_bytes(2, "little")
    return bytes(image)
