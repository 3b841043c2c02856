"""Make FAT12 and FAT16 volumes with folders and long names for tests, byte by byte.

``DISKS`` repeats the table of ``formats/packed/fat_layout.py`` on purpose, from the same source:
what one of them has wrong shows in the other.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

SECTOR = 512
DATE, TIME = 0x26CC, 0x5000  # 12 June 1999, 10:00
# size: sectors a cluster, sectors a table, top entries, media (Microsoft KB Q75131)
DISKS = {
    163_840: (1, 1, 64, 0xFE),
    184_320: (1, 2, 64, 0xFC),
    327_680: (2, 1, 112, 0xFF),
    368_640: (2, 2, 112, 0xFD),
    737_280: (2, 3, 112, 0xF9),
    1_228_800: (1, 7, 224, 0xF9),
    1_474_560: (1, 9, 224, 0xF0),
    2_949_120: (2, 9, 240, 0xF0),
    16_777_216: (4, 32, 512, 0xF8),  # 8,167 clusters: FAT16
}


class FatMaker:
    """Fills one volume; files of one folder stand in the order given."""

    def __init__(self, size: int) -> None:
        self.per_cluster, self.per_table, self.entries, self.media = DISKS[size]
        self.image = bytearray(size)
        self.bits = 16 if size > 4_000_000 else 12
        self.table = {0: (0xFF00 if self.bits == 16 else 0xF00) | self.media, 1: self.last}
        self.next = 2
        self.top = (1 + 2 * self.per_table) * SECTOR
        self.data = self.top + -(-self.entries * 32 // SECTOR) * SECTOR

    @property
    def last(self) -> int:
        return 0xFFFF if self.bits == 16 else 0xFFF

    def put(self, content: bytes) -> int:
        """Store bytes in clusters; returns the first, 0 for none."""
        unit = self.per_cluster * SECTOR
        first = self.next if content else 0
        for start in range(0, len(content), unit):
            piece = content[start : start + unit]
            at = self.data + (self.next - 2) * unit
            self.image[at : at + len(piece)] = piece
            self.table[self.next] = self.last if start + unit >= len(content) else self.next + 1
            self.next += 1
        return first

    def folder(self, tree: Mapping[str, object], long_names: Mapping[str, str]) -> bytes:
        records = b""
        for name, content in tree.items():
            if isinstance(content, bytes):
                first, size, attributes = self.put(content), len(content), 0x20
            else:
                assert isinstance(content, Mapping)
                own = entry(".", 0, 0, 0x10) + entry("..", 0, 0, 0x10)
                first = self.put(own + self.folder(content, long_names) + bytes(32))
                size, attributes = 0, 0x10
            records += long_entries(long_names.get(name, ""), name)
            records += entry(name, first, size, attributes)
        return records

    def tables(self) -> bytes:
        out = bytearray(self.per_table * SECTOR)
        for number, value in self.table.items():
            if self.bits == 16:
                struct.pack_into("<H", out, 2 * number, value)
                continue
            at = number + number // 2
            pair = int.from_bytes(out[at : at + 2], "little")
            pair = pair & 0x000F | value << 4 if number % 2 else pair & 0xF000 | value
            out[at : at + 2] = pair.to_bytes(2, "little")
        return bytes(out)


def short(name: str) -> bytes:
    if name in (".", ".."):
        return name.ljust(11).encode()
    stem, _, extension = name.partition(".")
    return stem.ljust(8).encode("cp437") + extension.ljust(3).encode("cp437")


def entry(name: str, first: int, size: int, attributes: int) -> bytes:
    start = short(name) + bytes([attributes]) + bytes(10)
    return start + struct.pack("<HHHI", TIME, DATE, first, size)


def long_entries(name: str, short_name: str) -> bytes:
    if not name:
        return b""
    checksum = 0
    for letter in short(short_name):
        checksum = ((checksum & 1) << 7 | checksum >> 1) + letter & 0xFF
    letters = (name + "\0").encode("utf-16-le")
    letters += b"\xff" * (-len(letters) % 26)
    parts = [letters[at : at + 26] for at in range(0, len(letters), 26)]
    records = b""
    for number in range(len(parts), 0, -1):
        part = parts[number - 1]
        mark = number | (0x40 if number == len(parts) else 0)
        records += bytes([mark]) + part[:10] + bytes([0x0F, 0, checksum]) + part[10:22]
        records += b"\0\0" + part[22:]
    return records


def nested(files: Mapping[str, bytes]) -> dict[str, object]:
    tree: dict[str, object] = {}
    for path, content in files.items():
        *folders, name = path.split("/")
        place = tree
        for folder in folders:
            place = place.setdefault(folder, {})  # type: ignore[assignment]
        place[name] = content
    return tree


def make_fat(
    files: Mapping[str, bytes],
    *,
    size: int = 1_474_560,
    long_names: Mapping[str, str] | None = None,
    parameters: bool = True,
) -> bytes:
    """A volume with these files; without ``parameters`` its boot sector says nothing."""
    maker = FatMaker(size)
    top = maker.folder(nested(files), long_names or {})
    assert len(top) <= maker.entries * 32, "the top folder has no room for that"
    maker.image[maker.top : maker.top + len(top)] = top
    tables = maker.tables()
    for copy in range(2):
        at = (1 + copy * maker.per_table) * SECTOR
        maker.image[at : at + len(tables)] = tables
    if parameters:
        maker.image[0:11] = b"\xeb\x3c\x90TESTDISK"
        struct.pack_into(
            "<HBHBHHBHHHII", maker.image, 11, SECTOR, maker.per_cluster, 1, 2, maker.entries,
            size // SECTOR, maker.media, maker.per_table, 18, 2, 0, 0,
        )  # fmt: skip
        label = b"FAT16   " if maker.bits == 16 else b"FAT12   "
        maker.image[36:62] = b"\x00\x00\x29\x12\x06\x19\x99TEST DISK  " + label
        maker.image[510:512] = b"\x55\xaa"
    return bytes(maker.image)
