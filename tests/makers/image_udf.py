"""A whole UDF volume over files that are on the image already: records of ECMA-167, from memory."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import image_parts as parts
from image_parts import SECTOR, le16, le32
from image_tree import Node, Sectors, lay_tree

MAIN_SEQUENCE_BLOCKS = 5
MAIN_SEQUENCE_SIZE = MAIN_SEQUENCE_BLOCKS * SECTOR
ANCHOR = 256  # block of the first anchor
CHARSET = b"\x00" + b"OSTA Compressed Unicode".ljust(63, b"\x00")
TIMESTAMP = le16(0x1000) + le16(1999) + bytes([6, 1, 12, 0, 0, 0, 0, 0])  # as all other dates
FILE_TYPE_DIRECTORY, FILE_TYPE_FILE = 4, 5


def regid(identifier: bytes, suffix: bytes = b"") -> bytes:
    return b"\x00" + identifier.ljust(23, b"\x00") + suffix.ljust(8, b"\x00")


def long_address(size: int, block: int) -> bytes:
    return le32(size) + le32(block) + le16(0) + b"\x00" * 6


def icb_tag(kind: int, form: int = 0) -> bytes:
    """What begins a file entry (ECMA-167 4/14.6): one direct entry, so strategy 4."""
    return le32(0) + le16(4) + le16(0) + le16(1) + bytes([0, kind]) + b"\x00" * 6 + le16(form)


def compressed(text: str) -> bytes:
    """Text of 8 or 16 bits a character, with the byte that says which."""
    try:
        return b"\x08" + text.encode("latin-1") if text else b""
    except UnicodeEncodeError:
        return b"\x10" + text.encode("utf-16-be")


class UdfMaker:
    """Blocks of one partition, which reaches from ``start`` to the end of the image."""

    def __init__(
        self,
        label: str,
        standard: str,
        revision: int,
        main: int,
        embedded: Collection[str] = (),
        block_size: int = SECTOR,
    ) -> None:
        self.block_size = block_size
        self.label, self.standard, self.revision, self.main = label, standard, revision, main
        self.embedded = {f"/{path}" for path in embedded}
        self.version = 3 if standard == "NSR03" else 2
        self.start = main + MAIN_SEQUENCE_BLOCKS
        self.file_set = 0
        self.entries: dict[Node, int] = {}
        self.lists: dict[Node, int] = {}

    def place(self, root: Node, sectors: Sectors) -> None:
        """Take a sector for the file set, for each file entry and for each directory's names."""
        self.file_set = sectors.take(self.block_size)
        for directory in root.walk():
            self.entries[directory] = sectors.take(self.block_size)
            self.lists[directory] = sectors.take(len(self._names(directory)))
            for child in directory.children:
                if not child.is_directory:
                    self.entries[child] = sectors.take(self.block_size)

    def write(self, root: Node, sectors: Sectors, block_count: int) -> None:
        """Write everything but the anchors."""
        sectors.write(self.main, b"".join(self.main_sequence(self.main, block_count)))
        sectors.write(self.file_set, self._file_set(root))
        for directory, lba in self.lists.items():
            sectors.write(lba, self._names(directory))
        for node, lba in self.entries.items():
            sectors.write(lba, self._file_entry(node))

    def tagged(self, tag: int, location: int, body: bytes) -> bytes:
        return parts.tagged_bare(
            tag, location, body.ljust(496, b"\x00"), version=self.version
        ).ljust(self.block_size, b"\x00")

    def _block(self, lba: int) -> int:
        return lba - self.start

    def _domain(self) -> bytes:
        return regid(b"*OSTA UDF Compliant", le16(self.revision))

    def main_sequence(self, at: int, block_count: int) -> list[bytes]:
        main, label = at, self.label
        primary = le32(0) + le32(0) + parts.dstring(label, 32) + le16(1) + le16(1)
        partition_map = bytes([1, 6]) + le16(1) + le16(0)
        logical = (
            (le32(1) + CHARSET + parts.dstring(label, 128) + le32(self.block_size) + self._domain())
            + long_address(self.block_size, self._block(self.file_set))
            + le32(len(partition_map))
            + le32(1)
            + regid(b"*mediashelf tests")
            + b"\x00" * 128
            + b"\x00" * 8
            + partition_map
        )
        partition = (
            le32(2)
            + le16(1)
            + le16(0)
            + regid(b"+" + self.standard.encode())
            + b"\x00" * 128
            + le32(1)  # read only
            + le32(self.start)
            + le32(block_count - self.start)
        )
        return [
            self.tagged(1, main, primary),
            self.tagged(6, main + 1, logical),
            self.tagged(5, main + 2, partition),
            self.tagged(8, main + 3, b""),
        ]

    def _file_set(self, root: Node) -> bytes:
        body = (
            TIMESTAMP
            + le16(3)
            + le16(3)
            + le32(1)
            + le32(1)
            + le32(0)
            + le32(0)
            + CHARSET
            + parts.dstring(self.label, 128)
            + CHARSET
            + parts.dstring(self.label, 32)
            + b"\x00" * 64
            + long_address(self.block_size, self._block(self.entries[root]))
            + self._domain()
        )
        return self.tagged(256, self._block(self.file_set), body)

    def _names(self, directory: Node) -> bytes:
        """Return the file identifier descriptors of a directory, its parent's first."""
        location = self._block(self.lists.get(directory, self.start))
        data = self._name(directory.parent or directory, "", 0x0A, location)
        for child in directory.children:
            data += self._name(child, child.long_name, 2 if child.is_directory else 0, location)
        return data

    def _name(self, node: Node, name: str, characteristics: int, location: int) -> bytes:
        coded = compressed(name)
        block = self._block(self.entries.get(node, self.start))
        body = (
            le16(1)
            + bytes([characteristics, len(coded)])
            + long_address(self.block_size, block)
            + le16(0)
            + coded
        )
        body += b"\x00" * (-len(body) % 4)
        return parts.tagged_bare(257, location, body, version=self.version)

    def _file_entry(self, node: Node) -> bytes:
        if node.is_directory:
            kind, size, lba = FILE_TYPE_DIRECTORY, len(self._names(node)), self.lists[node]
        else:
            kind, size, lba = FILE_TYPE_FILE, len(node.content or b""), node.lba
        is_embedded = node.path in self.embedded
        allocation = le32(size) + le32(self._block(lba)) if size else b""
        if is_embedded:
            allocation = node.content or b""
        body = (
            icb_tag(kind, 3 if is_embedded else 0)  # 3: the bytes stand where descriptors would
            + le32(0xFFFFFFFF) * 2
            + le32(0x14A5)
            + le16(1)
            + bytes(6)
            + size.to_bytes(8, "little")
            + (-(-size // self.block_size)).to_bytes(8, "little")
            + TIMESTAMP * 3
            + le32(1)
            + b"\x00" * 16
            + regid(b"*mediashelf tests")
            + (self._block(self.entries[node]) + 16).to_bytes(8, "little")
            + le32(0)
            + le32(len(allocation))
            + allocation
        )
        return self.tagged(261, self._block(self.entries[node]), body)


def make_udf(files: Mapping[str, bytes], block_size: int, standard: str = "NSR02") -> bytes:
    """A disc with UDF alone in blocks of another size; anchors at block 256 and the last."""
    revision = 0x0201 if standard == "NSR03" else 0x0150
    root = lay_tree(files, {}, ())
    maker = UdfMaker("BLOCKS", standard, revision, ANCHOR + 1, block_size=block_size)
    sectors = Sectors(maker.start, block_size)
    maker.place(root, sectors)
    for directory in root.walk():
        for child in directory.children:
            if child.content:
                child.lba = sectors.take(len(child.content))
                sectors.write(child.lba, child.content)
    size = MAIN_SEQUENCE_BLOCKS * block_size
    reserve = sectors.take(size)
    count = sectors.next + 1
    sectors.write(reserve, b"".join(maker.main_sequence(reserve, count)))
    for lba in (ANCHOR, count - 1):
        pointers = le32(size) + le32(maker.main) + le32(size) + le32(reserve)
        sectors.write(lba, maker.tagged(2, lba, pointers))
    maker.write(root, sectors, count)
    data = bytearray(sectors.joined(count))
    step = max(SECTOR, block_size)
    for number, identifier in enumerate((b"BEA01", standard.encode(), b"TEA01")):
        at = 16 * SECTOR + number * step
        data[at : at + SECTOR] = parts.recognition(identifier)
    return bytes(data)
