"""What a made image is laid out from: nodes, how a tree names them, sectors handed out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import image_parts as parts
from image_parts import SECTOR


@dataclass(eq=False)
class Node:
    """A file or directory while the image is laid out."""

    name: str
    long_name: str
    parent: Node | None = None
    content: bytes | None = None  # None for a directory
    children: list[Node] = field(default_factory=list)
    lba: int = 0
    moved_from: Node | None = None  # the logical parent of a relocated directory
    placeholder_for: Node | None = None

    @property
    def is_directory(self) -> bool:
        return self.content is None

    @property
    def path(self) -> str:
        return "/" if self.parent is None else f"{self.parent.path.rstrip('/')}/{self.name}"

    @property
    def long_path(self) -> str:
        if self.parent is None:
            return "/"
        return f"{self.parent.long_path.rstrip('/')}/{self.long_name}"

    def walk(self) -> Iterator[Node]:
        """Directories level by level, as a path table lists them."""
        level = [self]
        while level:
            yield from level
            level = [child for node in level for child in node.children if child.is_directory]


def lay_tree(
    files: Mapping[str, bytes], long_names: Mapping[str, str], relocate: Sequence[str]
) -> Node:
    root = Node("", "")
    known = {"/": root}

    def folder(path: str) -> Node:
        if path not in known:
            known[path] = add(path, None)
        return known[path]

    def add(path: str, content: bytes | None) -> Node:
        above, _, name = path.rpartition("/")
        parent = folder(above or "/")
        node = Node(name, long_names.get(path.lstrip("/"), name), parent, content)
        parent.children.append(node)
        return node

    for key, content in files.items():
        path = "/" + key.strip("/")
        if key.endswith("/"):
            folder(path)
        else:
            add(path, content)
    for path in relocate:
        _relocate(folder("/" + path.strip("/")), folder("/RR_MOVED"))
    return root


def _relocate(node: Node, moved: Node) -> None:
    """Move a directory below ``moved`` and leave a file that links to it (CL) in its place."""
    assert node.parent is not None
    place = node.parent.children.index(node)
    node.parent.children[place] = Node(
        node.name, node.long_name, node.parent, b"", placeholder_for=node
    )
    node.moved_from, node.parent = node.parent, moved
    moved.children.append(node)


class Naming:
    """How one tree writes identifiers, and in which order."""

    def __init__(self, kind: str, versions: bool) -> None:
        self.kind = kind
        self.is_joliet = kind == "joliet"
        self.versions = versions and not self.is_joliet

    def path(self, node: Node) -> str:
        return node.long_path if self.is_joliet else node.path

    def identifier(self, node: Node) -> bytes:
        if node.parent is None:
            return b"\x00"
        if self.is_joliet:
            return node.long_name.encode("utf-16-be")
        name = node.name.encode("latin-1")
        if self.versions and not node.is_directory:
            return name + (b";1" if b"." in name else b".;1")
        return name

    def children(self, node: Node) -> list[Node]:
        if self.is_joliet:
            return sorted(node.children, key=self.identifier)
        return sorted(node.children, key=lambda child: _padded(self.identifier(child)))

    def directories(self, root: Node) -> Iterator[Node]:
        level = [root]
        while level:
            yield from level
            level = [child for node in level for child in self.children(node) if child.is_directory]


def _padded(identifier: bytes) -> tuple[bytes, bytes]:
    """The order of ECMA-119 9.3: name, then extension, both padded with spaces."""
    name, _, extension = identifier.partition(b";")[0].partition(b".")
    return name.ljust(222), extension.ljust(222)


class Sectors:
    """Sectors, or blocks of another size, handed out one after another."""

    def __init__(self, start: int, size: int = SECTOR) -> None:
        self.next = start
        self.size = size
        self.written: list[tuple[int, bytes]] = []

    def take(self, size: int) -> int:
        lba = self.next
        self.next += -(-size // self.size)
        return lba

    def write(self, lba: int, data: bytes) -> None:
        self.written.append((lba, data))

    def joined(self, block_count: int) -> bytes:
        data = bytearray(block_count * self.size)
        for lba, piece in self.written:
            data[lba * self.size : lba * self.size + len(piece)] = piece
        return bytes(data)


class Continuations:
    """One continuation area (system use entries that do not fit into a record)."""

    def __init__(self, lba: int) -> None:
        self.lba = lba
        self.data = bytearray()

    def add(self, entries: bytes) -> bytes:
        """Keep ``entries`` in the area and return the CE entry that points to them."""
        if len(self.data) % SECTOR + len(entries) > SECTOR:
            self.data += b"\x00" * (-len(self.data) % SECTOR)
        lba, offset = divmod(len(self.data), SECTOR)
        self.data += entries
        return parts.continuation(self.lba + lba, offset, len(entries))
