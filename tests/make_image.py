"""A byte-exact maker of small disc images, and ways to damage them in one known place.

>>> image = make_iso({"README.TXT": b"hello", "SETUP/DATA1.CAB": b"..."}, joliet=3, label="DEMO")
>>> image.record("/SETUP/DATA1.CAB")            # byte offset of its directory record
>>> image.field("primary", "volume_space_size") # byte offset of that field
>>> damaged = flip(image.data, image.record("/README.TXT") + 2)

Keys of ``files`` are paths in the ISO tree, without version; a key that ends in
``/`` is a directory with nothing in it, and folders on the way are made. All
dates are 1 June 1999, so equal arguments give equal bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import image_parts as parts
from image_parts import SECTOR

FIRST_DESCRIPTOR = 16  # logical sector
ANCHOR = 256  # logical sector of the first UDF anchor

SystemUse = Callable[[Callable[[str], int]], bytes]
"""Makes system use bytes; its argument gives the LBA of a directory by ISO path."""


def flip(data: bytes, at: int) -> bytes:
    """Every bit of one byte inverted, so that it certainly changes."""
    return data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :]


def put(data: bytes, at: int, new: bytes) -> bytes:
    """``new`` in place of as many bytes at ``at``; the size stays."""
    assert at + len(new) <= len(data)
    return data[:at] + new + data[at + len(new) :]


def zero(data: bytes, at: int, size: int = SECTOR) -> bytes:
    """``size`` zero bytes at ``at``; the size of the whole stays."""
    return put(data, at, bytes(size))


def cut(data: bytes, size: int) -> bytes:
    """The first ``size`` bytes."""
    return data[:size]


@dataclass(frozen=True)
class Boot:
    """An El Torito catalog: the initial entry, then sections.

    ``media``: 0 none, 1 1.2 MB, 2 1.44 MB, 3 2.88 MB, 4 hard disk. A section is
    (platform id, images); its images boot without emulation.
    """

    image: bytes
    media: int = 0
    sectors: int = 4
    platform: int = 0
    text: bytes = b""
    sections: Sequence[tuple[int, Sequence[bytes]]] = ()
    criteria: bytes = b""


@dataclass
class MadeImage:
    """The bytes of an image and the byte offset of everything in it."""

    data: bytes
    places: dict[tuple[str, str, str], int] = field(default_factory=dict)

    def save(self, path: Path) -> Path:
        path.write_bytes(self.data)
        return path

    def at(self, what: str, kind: str = "", path: str = "") -> int:
        """Byte offset of a place such as ``primary``, ``joliet``, ``terminator``, ``boot-record``,
        ``boot-catalog``, ``path-table-l`` (with kind), ``anchor``."""
        return self.places[what, kind, path]

    def field(self, descriptor: str, name: str) -> int:
        """Byte offset of a named field in ``primary``, ``joliet`` or ``enhanced``."""
        return self.at(descriptor) + parts.FIELDS[name][0]

    def record(self, path: str, kind: str = "iso9660") -> int:
        """Byte offset of the directory record; paths of ``joliet`` use the Joliet names."""
        return self.at("record", kind, path)

    def directory(self, path: str = "/", kind: str = "iso9660") -> int:
        """Byte offset of a directory's extent (its self record stands first)."""
        return self.at("directory", kind, path)

    def file(self, path: str) -> int:
        """Byte offset of a file's contents, by its path in the ISO tree."""
        return self.at("file", "", path)

    def path_table(self, order: str, kind: str = "iso9660") -> int:
        """Byte offset of the path table of type ``l`` or ``m``."""
        return self.at(f"path-table-{order}", kind)


@dataclass
class _Node:
    """A file or directory while the image is laid out."""

    name: str
    long_name: str
    parent: _Node | None = None
    content: bytes | None = None  # None for a directory
    children: list[_Node] = field(default_factory=list)
    lba: int = 0
    moved_from: _Node | None = None  # the logical parent of a relocated directory
    placeholder_for: _Node | None = None

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

    def walk(self) -> Iterator[_Node]:
        """Directories level by level, as a path table lists them."""
        level = [self]
        while level:
            yield from level
            level = [child for node in level for child in node.children if child.is_directory]


def _tree(
    files: Mapping[str, bytes], long_names: Mapping[str, str], relocate: Sequence[str]
) -> _Node:
    root = _Node("", "")
    known = {"/": root}

    def folder(path: str) -> _Node:
        if path not in known:
            known[path] = add(path, None)
        return known[path]

    def add(path: str, content: bytes | None) -> _Node:
        above, _, name = path.rpartition("/")
        parent = folder(above or "/")
        node = _Node(name, long_names.get(path.lstrip("/"), name), parent, content)
        parent.children.append(node)
        return node

    for key, content in files.items():
        path = "/" + key.strip("/")
        if key.endswith("/"):
            folder(path)
        else:
            add(path, content)
    for path in relocate:
        _relocate(folder(path), folder("/RR_MOVED"))
    return root


def _relocate(node: _Node, moved: _Node) -> None:
    """Move a directory below ``moved`` and leave a file that links to it (CL) in its place."""
    assert node.parent is not None
    place = node.parent.children.index(node)
    node.parent.children[place] = _Node(
        node.name, node.long_name, node.parent, b"", placeholder_for=node
    )
    node.moved_from, node.parent = node.parent, moved
    moved.children.append(node)


class _Naming:
    """How one tree writes identifiers, and in which order."""

    def __init__(self, kind: str, versions: bool) -> None:
        self.kind = kind
        self.is_joliet = kind == "joliet"
        self.versions = versions and not self.is_joliet

    def path(self, node: _Node) -> str:
        return node.long_path if self.is_joliet else node.path

    def identifier(self, node: _Node) -> bytes:
        if node.parent is None:
            return b"\x00"
        if self.is_joliet:
            return node.long_name.encode("utf-16-be")
        name = node.name.encode("latin-1")
        if self.versions and not node.is_directory:
            return name + (b";1" if b"." in name else b".;1")
        return name

    def children(self, node: _Node) -> list[_Node]:
        if self.is_joliet:
            return sorted(node.children, key=self.identifier)
        return sorted(node.children, key=lambda child: _padded(self.identifier(child)))

    def directories(self, root: _Node) -> Iterator[_Node]:
        level = [root]
        while level:
            yield from level
            level = [child for node in level for child in self.children(node) if child.is_directory]


def _padded(identifier: bytes) -> tuple[bytes, bytes]:
    """The order of ECMA-119 9.3: name, then extension, both padded with spaces."""
    name, _, extension = identifier.partition(b";")[0].partition(b".")
    return name.ljust(222), extension.ljust(222)


class _Sectors:
    """Sectors handed out one after another."""

    def __init__(self, start: int) -> None:
        self.next = start
        self.written: list[tuple[int, bytes]] = []

    def take(self, size: int) -> int:
        lba = self.next
        self.next += -(-size // SECTOR)
        return lba

    def write(self, lba: int, data: bytes) -> None:
        self.written.append((lba, data))

    def joined(self, block_count: int) -> bytes:
        data = bytearray(block_count * SECTOR)
        for lba, piece in self.written:
            data[lba * SECTOR : lba * SECTOR + len(piece)] = piece
        return bytes(data)


class _Continuations:
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


def _rock_ridge(
    node: _Node, room: int, area: _Continuations, lba_of: Callable[[_Node], int]
) -> bytes:
    """The system use entries of one child's record."""
    entries = parts.file_attributes(is_directory=node.is_directory)
    if node.placeholder_for is not None:
        entries += parts.child_link(lba_of(node.placeholder_for))
    if node.moved_from is not None:
        entries += parts.relocated_mark()
    name = node.long_name.encode("utf-8")
    if len(entries) + 5 + len(name) <= room:
        return entries + parts.alternate_name(name)
    head = name[: room - len(entries) - 5 - 28]
    rest = [name[at : at + 200] for at in range(len(head), len(name), 200)]
    tail = b"".join(parts.alternate_name(piece, flags=int(piece is not rest[-1])) for piece in rest)
    return entries + parts.alternate_name(head, flags=1) + area.add(tail)


def make_iso(
    files: Mapping[str, bytes],
    *,
    label: str = "MADE",
    joliet: bool | int = False,
    long_names: Mapping[str, str] | None = None,
    enhanced: bool = False,
    rock_ridge: bool = False,
    relocate: Sequence[str] = (),
    boot: Boot | None = None,
    udf: str = "",
    udf_revision: int = 0x0102,
    sections: Mapping[str, int] | None = None,
    flags: Mapping[str, int] | None = None,
    system_use: Mapping[str, SystemUse] | None = None,
    versions: bool = True,
    pad_sectors: int = 0,
) -> MadeImage:
    """An image that breaks no rule, unless its arguments do.

    ``joliet`` is the level (True means 3). ``long_names`` maps a path of
    ``files`` to the last part of its name in Joliet and Rock Ridge. ``sections``
    maps a file to the size at which it is cut into sections (multi-extent; a
    multiple of 2048). ``flags`` adds file flags, ``system_use`` bytes, to a
    record (``/SETUP/.`` and ``/SETUP/..`` mean self and parent). ``relocate``
    names directories to move into ``RR_MOVED``. ``udf`` is ``NSR02`` or
    ``NSR03``. ``pad_sectors`` zero sectors follow, counted in the volume's size.
    """
    long_names, sections = long_names or {}, sections or {}
    flags, system_use = flags or {}, system_use or {}
    level = 3 if joliet is True else int(joliet)
    places: dict[tuple[str, str, str], int] = {}
    root = _tree(files, long_names, relocate)

    kinds = ["iso9660"] + ["joliet"] * bool(level) + ["enhanced"] * enhanced
    descriptors = ["primary"] + ["boot-record"] * bool(boot) + kinds[1:] + ["terminator"]
    sectors = _Sectors(FIRST_DESCRIPTOR + len(descriptors))
    for number, name in enumerate(descriptors, FIRST_DESCRIPTOR):
        places[name, "", ""] = number * SECTOR
    if udf:
        for identifier in (b"BEA01", udf.encode(), b"TEA01"):
            lba = sectors.take(SECTOR)
            places["recognition", "", identifier.decode()] = lba * SECTOR
            sectors.write(lba, parts.recognition(identifier))
        sectors.next = ANCHOR + 4

    area = _Continuations(0)
    namings = [_Naming(kind, versions and kind == "iso9660") for kind in kinds]
    directory_lba: dict[tuple[str, int], int] = {}
    directory_size: dict[tuple[str, int], int] = {}

    def lba_by_path(naming: _Naming) -> Callable[[str], int]:
        by_path = {node.path: directory_lba.get((naming.kind, id(node)), 0) for node in root.walk()}
        return lambda path: by_path[path]

    def records(naming: _Naming, node: _Node) -> tuple[list[bytes], list[str]]:
        """The records of one directory and the path that each is known by."""
        kind = naming.kind
        ridge = rock_ridge and kind == "iso9660"
        parent = node.parent or node
        made, paths = [], []

        def add(path: str, identifier: bytes, lba: int, size: int, bits: int, use: bytes) -> None:
            iso_key = path
            extra = system_use.get(iso_key)
            if extra is not None and kind == "iso9660":
                use += extra(lba_by_path(naming))
            made.append(
                parts.directory_record(
                    identifier, lba, size, flags=bits | flags.get(iso_key, 0), system_use=use
                )
            )
            paths.append(path)

        attributes = parts.file_attributes(is_directory=True) if ridge else b""
        use = attributes
        if ridge and node.parent is None:
            use = parts.sharing_protocol() + use + area.add(parts.extensions_reference())
        base = naming.path(node).rstrip("/")
        lba, size = directory_lba[kind, id(node)], directory_size.get((kind, id(node)), 0)
        add(f"{base}/.", b"\x00", lba, size, 2, use)
        use = attributes
        if ridge and node.moved_from is not None:
            use += parts.parent_link(directory_lba[kind, id(node.moved_from)])
        up = (kind, id(parent))
        add(f"{base}/..", b"\x01", directory_lba[up], directory_size.get(up, 0), 2, use)
        for child in naming.children(node):
            identifier = naming.identifier(child)
            room = 254 - 33 - len(identifier) - (len(identifier) % 2 == 0)
            use = b""
            if ridge:
                use = _rock_ridge(child, room, area, lambda n: directory_lba[kind, id(n)])
            path = naming.path(child)
            if child.is_directory:
                key = kind, id(child)
                add(path, identifier, directory_lba[key], directory_size.get(key, 0), 2, use)
                continue
            content = child.content or b""
            step = sections.get(child.path.lstrip("/"), 0) or max(len(content), 1)
            for at in range(0, max(len(content), 1), step):
                piece = content[at : at + step]
                last = at + step >= len(content)
                where = child.lba + at // SECTOR
                add(path, identifier, where, len(piece), 0 if last else 0x80, use)
        return made, paths

    # Path tables and directories get their places first, then contents.
    tables: dict[str, tuple[int, int, int]] = {}
    for naming in namings:
        nodes = list(naming.directories(root))
        table_size = sum(
            8 + len(naming.identifier(node)) + len(naming.identifier(node)) % 2 for node in nodes
        )
        tables[naming.kind] = table_size, sectors.take(table_size), sectors.take(table_size)
        for node in nodes:
            directory_lba[naming.kind, id(node)] = 0
    for naming in namings:
        for node in naming.directories(root):
            size = len(parts.pack_records(records(naming, node)[0])[0])
            directory_size[naming.kind, id(node)] = size
            directory_lba[naming.kind, id(node)] = sectors.take(size)
    if area.data:
        area.lba = sectors.take(len(area.data))
        places["continuation", "", ""] = area.lba * SECTOR
    if boot is not None:
        _write_boot(boot, sectors, places)
    for directory in root.walk():
        for child in directory.children:
            if child.content:
                child.lba = sectors.take(len(child.content))
                places["file", "", child.path] = child.lba * SECTOR
                sectors.write(child.lba, child.content)
    sectors.next += pad_sectors
    block_count = sectors.next + (1 if udf else 0)

    area.data.clear()
    for naming in namings:
        _write_tree(naming, root, records, directory_lba, tables[naming.kind], sectors, places)
    if area.data:
        sectors.write(area.lba, bytes(area.data))

    for naming in namings:
        key = naming.kind, id(root)
        size, type_l, type_m = tables[naming.kind]
        name = "primary" if naming.kind == "iso9660" else naming.kind
        text = label[:16].encode("utf-16-be") if naming.is_joliet else label.encode("latin-1")
        descriptor = parts.volume_descriptor(
            kind=1 if name == "primary" else 2,
            version=2 if name == "enhanced" else 1,
            label=text,
            block_count=block_count,
            path_table_size=size,
            type_l=type_l,
            type_m=type_m,
            root=parts.directory_record(b"\x00", directory_lba[key], directory_size[key], flags=2),
            escape=parts.JOLIET_ESCAPES[level] if naming.is_joliet else b"",
            blank=b"\x00 " if naming.is_joliet else b" ",
        )
        sectors.write(places[name, "", ""] // SECTOR, descriptor)
    sectors.write(places["terminator", "", ""] // SECTOR, parts.terminator())
    if udf:
        _write_udf(label, udf, udf_revision, block_count, sectors, places)
    return MadeImage(sectors.joined(block_count), places)


def _write_tree(
    naming: _Naming,
    root: _Node,
    records: Callable[[_Naming, _Node], tuple[list[bytes], list[str]]],
    directory_lba: Mapping[tuple[str, int], int],
    table: tuple[int, int, int],
    sectors: _Sectors,
    places: dict[tuple[str, str, str], int],
) -> None:
    kind = naming.kind
    nodes = list(naming.directories(root))
    number = {id(node): index for index, node in enumerate(nodes, 1)}
    for order, lba in (("little", table[1]), ("big", table[2])):
        joined = b"".join(
            parts.path_table_record(
                naming.identifier(node),
                directory_lba[kind, id(node)],
                number[id(node.parent or node)],
                order,
            )
            for node in nodes
        )
        places[f"path-table-{'l' if order == 'little' else 'm'}", kind, ""] = lba * SECTOR
        sectors.write(lba, joined)
    for node in nodes:
        made, paths = records(naming, node)
        data, offsets = parts.pack_records(made)
        start = directory_lba[kind, id(node)] * SECTOR
        places["directory", kind, naming.path(node)] = start
        for path, offset in zip(paths, offsets, strict=True):
            places.setdefault(("record", kind, path), start + offset)
        sectors.write(start // SECTOR, data)


def _write_boot(boot: Boot, sectors: _Sectors, places: dict[tuple[str, str, str], int]) -> None:
    catalog_lba = sectors.take(SECTOR)
    places["boot-catalog", "", ""] = catalog_lba * SECTOR

    def store(image: bytes) -> int:
        lba = sectors.take(len(image))
        sectors.write(lba, image)
        return lba

    load_lba = store(boot.image)
    places["boot-image", "", ""] = load_lba * SECTOR
    entries = [
        parts.validation_entry(boot.platform, boot.text),
        parts.boot_entry(load_lba, media=boot.media, sectors=boot.sectors),
    ]
    for index, (platform, images) in enumerate(boot.sections):
        is_last = index == len(boot.sections) - 1
        entries.append(parts.section_header(platform, len(images), last=is_last))
        for image in images:
            count = -(-len(image) // 512)
            entries.append(parts.boot_entry(store(image), sectors=count, criteria=boot.criteria))
    sectors.write(catalog_lba, b"".join(entries))
    sectors.write(places["boot-record", "", ""] // SECTOR, parts.boot_record(catalog_lba))


def _write_udf(
    label: str,
    standard: str,
    revision: int,
    block_count: int,
    sectors: _Sectors,
    places: dict[tuple[str, str, str], int],
) -> None:
    """Anchors at block 256 and at the last block, and a main descriptor sequence between."""
    main = ANCHOR + 1
    version = 3 if standard == "NSR03" else 2
    for name, lba in (("anchor", ANCHOR), ("last-anchor", block_count - 1)):
        places[name, "", ""] = lba * SECTOR
        sectors.write(lba, parts.anchor(lba, main, 3 * SECTOR, version=version))
    sequence = [
        parts.udf_primary(main, label, version=version),
        parts.udf_logical_volume(main + 1, label, revision, version=version),
        parts.udf_terminator(main + 2, version=version),
    ]
    places["udf-descriptors", "", ""] = main * SECTOR
    sectors.write(main, b"".join(sequence))
