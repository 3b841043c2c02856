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
from image_tree import Continuations, Naming, Node, Sectors, lay_tree
from image_udf import MAIN_SEQUENCE_SIZE, UdfMaker

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
    udf_embedded: Sequence[str] = (),
    sections: Mapping[str, int] | None = None,
    flags: Mapping[str, int] | None = None,
    system_use: Mapping[str, SystemUse] | None = None,
    versions: bool = True,
    pad_sectors: int = 0,
    after: bytes = b"",
) -> MadeImage:
    """An image that breaks no rule, unless its arguments do.

    ``joliet`` is the level (True means 3). ``long_names`` maps a path of
    ``files`` to the last part of its name in Joliet and Rock Ridge. ``sections``
    maps a file to the size at which it is cut into sections (multi-extent; a
    multiple of 2048). ``flags`` adds file flags, ``system_use`` bytes, to a
    record (``/SETUP/.`` and ``/SETUP/..`` mean self and parent). ``relocate``
    names directories to move into ``RR_MOVED``. ``udf`` is ``NSR02`` or
    ``NSR03``; ``udf_embedded`` names small files whose bytes UDF keeps in its own
    record, beside the place that the other trees know. ``pad_sectors`` zero
    sectors follow, counted in the volume's size. ``after`` are the sessions before this
    one, whose descriptors come 16 sectors after them.
    """
    recipe = _Recipe(
        files=files,
        label=label,
        joliet_level=3 if joliet is True else int(joliet),
        long_names=long_names or {},
        enhanced=enhanced,
        rock_ridge=rock_ridge,
        relocate=relocate,
        boot=boot,
        udf=udf,
        udf_revision=udf_revision,
        udf_embedded=udf_embedded,
        sections=sections or {},
        flags=flags or {},
        system_use=system_use or {},
        versions=versions,
        pad_sectors=pad_sectors,
        session=len(after) // SECTOR,
    )
    made = _Maker(recipe).make()
    return MadeImage(after + made.data[len(after) :], made.places)


def without_iso(made: MadeImage) -> bytes:
    """A disc with UDF alone: its recognition sequence stands first, no ISO 9660 descriptor is left.

    What else ISO 9660 had stays where it is, unknown to anybody.
    """
    recognition = [
        made.data[at : at + SECTOR]
        for (what, _, _), at in made.places.items()
        if what == "recognition"
    ]
    rest = FIRST_DESCRIPTOR * SECTOR
    head = made.data[:rest] + b"".join(recognition)
    return zero(head + made.data[len(head) :], len(head), 16 * SECTOR)


@dataclass(frozen=True)
class _Recipe:
    """The arguments of :func:`make_iso`, with nothing left open."""

    files: Mapping[str, bytes]
    label: str
    joliet_level: int
    long_names: Mapping[str, str]
    enhanced: bool
    rock_ridge: bool
    relocate: Sequence[str]
    boot: Boot | None
    udf: str
    udf_revision: int
    udf_embedded: Sequence[str]
    sections: Mapping[str, int]
    flags: Mapping[str, int]
    system_use: Mapping[str, SystemUse]
    versions: bool
    pad_sectors: int
    session: int  # its first sector


class _Maker:
    """Hands out sectors and fills them: descriptors, path tables, directories, boot, files."""

    def __init__(self, recipe: _Recipe) -> None:
        self.recipe = recipe
        self.root = lay_tree(recipe.files, recipe.long_names, recipe.relocate)
        self.places: dict[tuple[str, str, str], int] = {}
        kinds = (
            ["iso9660"] + ["joliet"] * bool(recipe.joliet_level) + ["enhanced"] * recipe.enhanced
        )
        self.namings = [Naming(kind, recipe.versions and kind == "iso9660") for kind in kinds]
        self.descriptors = (
            ["primary"] + ["boot-record"] * bool(recipe.boot) + kinds[1:] + ["terminator"]
        )
        self.first_descriptor = recipe.session + FIRST_DESCRIPTOR
        self.sectors = Sectors(self.first_descriptor + len(self.descriptors))
        self.area = Continuations(0)
        # LBA and size of each directory, by tree and node.
        self.extents: dict[tuple[str, Node], tuple[int, int]] = {}
        self.tables: dict[str, tuple[int, int, int]] = {}  # size, LBA of type L, LBA of type M
        self.anchor = recipe.session + ANCHOR  # that of a later session counts from its start
        self.udf = UdfMaker(
            recipe.label, recipe.udf, recipe.udf_revision, self.anchor + 1, recipe.udf_embedded
        )

    def make(self) -> MadeImage:
        recipe, sectors = self.recipe, self.sectors
        for number, name in enumerate(self.descriptors, self.first_descriptor):
            self.places[name, "", ""] = number * SECTOR
        if recipe.udf:
            for identifier in (b"BEA01", recipe.udf.encode(), b"TEA01"):
                lba = sectors.take(SECTOR)
                self.places["recognition", "", identifier.decode()] = lba * SECTOR
                sectors.write(lba, parts.recognition(identifier))
            sectors.next = self.udf.start
            self.udf.place(self.root, sectors)
        self._place_trees()
        if recipe.boot is not None:
            self._write_boot(recipe.boot)
        self._write_files()
        sectors.next += recipe.pad_sectors
        block_count = sectors.next + bool(recipe.udf)
        self.area.data.clear()
        for naming in self.namings:
            self._write_tree(naming)
            self._write_descriptor(naming, block_count - recipe.session)
        if self.area.data:
            sectors.write(self.area.lba, bytes(self.area.data))
        sectors.write(self.places["terminator", "", ""] // SECTOR, parts.terminator())
        if recipe.udf:
            self._write_udf(block_count)
        return MadeImage(sectors.joined(block_count), self.places)

    def _place_trees(self) -> None:
        """Give path tables, directories and the continuation area their sectors."""
        for naming in self.namings:
            size = 0
            for node in naming.directories(self.root):
                identifier = naming.identifier(node)
                size += 8 + len(identifier) + len(identifier) % 2
                self.extents[naming.kind, node] = 0, 0
            self.tables[naming.kind] = size, self.sectors.take(size), self.sectors.take(size)
        for naming in self.namings:
            for node in naming.directories(self.root):
                # Sizes of records do not depend on where anything is.
                size = len(parts.pack_records(self._records(naming, node)[0])[0])
                self.extents[naming.kind, node] = self.sectors.take(size), size
        if self.area.data:
            self.area.lba = self.sectors.take(len(self.area.data))
            self.places["continuation", "", ""] = self.area.lba * SECTOR

    def _records(self, naming: Naming, node: Node) -> tuple[list[bytes], list[str]]:
        """Return the records of one directory and the path that each is known by."""
        ridge = self.recipe.rock_ridge and naming.kind == "iso9660"
        base = naming.path(node).rstrip("/")
        made: list[bytes] = []
        paths: list[str] = []

        def add(
            path: str, identifier: bytes, extent: tuple[int, int], bits: int, use: bytes
        ) -> None:
            extra = self.recipe.system_use.get(path)
            if extra is not None and naming.kind == "iso9660":
                use += extra(self._lba_of)
            bits |= self.recipe.flags.get(path, 0)
            made.append(parts.directory_record(identifier, *extent, flags=bits, system_use=use))
            paths.append(path)

        use = parts.file_attributes(is_directory=True) if ridge else b""
        first = second = use
        if ridge and node.parent is None:
            first = parts.sharing_protocol() + use + self.area.add(parts.extensions_reference())
        if ridge and node.moved_from is not None:
            second = use + parts.parent_link(self.extents[naming.kind, node.moved_from][0])
        add(f"{base}/.", b"\x00", self.extents[naming.kind, node], 2, first)
        add(f"{base}/..", b"\x01", self.extents[naming.kind, node.parent or node], 2, second)
        for child in naming.children(node):
            identifier = naming.identifier(child)
            use = self._rock_ridge(child, identifier) if ridge else b""
            if child.is_directory:
                extent = self.extents[naming.kind, child]
                add(naming.path(child), identifier, extent, 2, use)
                continue
            for extent, is_last in self._sections(child):
                add(naming.path(child), identifier, extent, 0 if is_last else 0x80, use)
        return made, paths

    def _sections(self, node: Node) -> Iterator[tuple[tuple[int, int], bool]]:
        """Yield (LBA, size) of each section of a file, and whether it is the last."""
        size = len(node.content or b"")
        step = self.recipe.sections.get(node.path.lstrip("/"), 0) or max(size, 1)
        for at in range(0, max(size, 1), step):
            yield (node.lba + at // SECTOR, min(step, size - at)), at + step >= size

    def _lba_of(self, path: str) -> int:
        """Return where a directory of the ISO tree is (0 while that is not known yet)."""
        return next(
            lba
            for (kind, node), (lba, _) in self.extents.items()
            if kind == "iso9660" and node.path == path
        )

    def _rock_ridge(self, node: Node, identifier: bytes) -> bytes:
        """Return the system use entries of a child's record; long names go on in the area."""
        room = 254 - 33 - len(identifier) - (len(identifier) % 2 == 0)
        entries = parts.file_attributes(is_directory=node.is_directory)
        if node.placeholder_for is not None:
            entries += parts.child_link(self.extents["iso9660", node.placeholder_for][0])
        if node.moved_from is not None:
            entries += parts.relocated_mark()
        name = node.long_name.encode("utf-8")
        if len(entries) + 5 + len(name) <= room:
            return entries + parts.alternate_name(name)
        head = name[: room - len(entries) - 5 - 28]
        rest = [name[at : at + 200] for at in range(len(head), len(name), 200)]
        tail = b"".join(
            parts.alternate_name(piece, flags=int(number < len(rest)))
            for number, piece in enumerate(rest, 1)
        )
        return entries + parts.alternate_name(head, flags=1) + self.area.add(tail)

    def _write_files(self) -> None:
        for directory in self.root.walk():
            for child in directory.children:
                if child.content:
                    child.lba = self.sectors.take(len(child.content))
                    self.places["file", "", child.path] = child.lba * SECTOR
                    self.sectors.write(child.lba, child.content)

    def _write_tree(self, naming: Naming) -> None:
        """Write path tables and directories."""
        kind = naming.kind
        nodes = list(naming.directories(self.root))
        number = {node: index for index, node in enumerate(nodes, 1)}
        _, *lbas = self.tables[kind]
        for order, lba in zip(("little", "big"), lbas, strict=True):
            table = b"".join(
                parts.path_table_record(
                    naming.identifier(node),
                    self.extents[kind, node][0],
                    number[node.parent or node],
                    order,
                )
                for node in nodes
            )
            self.places["path-table-l" if order == "little" else "path-table-m", kind, ""] = (
                lba * SECTOR
            )
            self.sectors.write(lba, table)
        for node in nodes:
            made, paths = self._records(naming, node)
            data, offsets = parts.pack_records(made)
            lba = self.extents[kind, node][0]
            self.places["directory", kind, naming.path(node)] = lba * SECTOR
            for path, offset in zip(paths, offsets, strict=True):
                self.places.setdefault(("record", kind, path), lba * SECTOR + offset)
            self.sectors.write(lba, data)

    def _write_descriptor(self, naming: Naming, block_count: int) -> None:
        name = "primary" if naming.kind == "iso9660" else naming.kind
        label = self.recipe.label
        size, type_l, type_m = self.tables[naming.kind]
        descriptor = parts.volume_descriptor(
            kind=1 if name == "primary" else 2,
            version=2 if name == "enhanced" else 1,
            label=label[:16].encode("utf-16-be") if naming.is_joliet else label.encode("latin-1"),
            block_count=block_count,
            path_table_size=size,
            type_l=type_l,
            type_m=type_m,
            root=parts.directory_record(b"\x00", *self.extents[naming.kind, self.root], flags=2),
            escape=parts.JOLIET_ESCAPES[self.recipe.joliet_level] if naming.is_joliet else b"",
            blank=b"\x00 " if naming.is_joliet else b" ",
        )
        self.sectors.write(self.places[name, "", ""] // SECTOR, descriptor)

    def _write_boot(self, boot: Boot) -> None:
        catalog_lba = self.sectors.take(SECTOR)
        self.places["boot-catalog", "", ""] = catalog_lba * SECTOR

        def store(image: bytes) -> int:
            lba = self.sectors.take(len(image))
            self.sectors.write(lba, image)
            return lba

        load_lba = store(boot.image)
        self.places["boot-image", "", ""] = load_lba * SECTOR
        entries = [
            parts.validation_entry(boot.platform, boot.text),
            parts.boot_entry(load_lba, media=boot.media, sectors=boot.sectors),
        ]
        for index, (platform, images) in enumerate(boot.sections, 1):
            is_last = index == len(boot.sections)
            entries.append(parts.section_header(platform, len(images), last=is_last))
            for image in images:
                count = -(-len(image) // 512)
                entries.append(
                    parts.boot_entry(store(image), sectors=count, criteria=boot.criteria)
                )
        self.sectors.write(catalog_lba, b"".join(entries))
        record = parts.boot_record(catalog_lba)
        self.sectors.write(self.places["boot-record", "", ""] // SECTOR, record)

    def _write_udf(self, block_count: int) -> None:
        """Write anchors at block 256 and the last; the volume is between them."""
        main = self.udf.main
        for name, lba in (("anchor", self.anchor), ("last-anchor", block_count - 1)):
            self.places[name, "", ""] = lba * SECTOR
            data = parts.anchor(lba, main, MAIN_SEQUENCE_SIZE, version=self.udf.version)
            self.sectors.write(lba, data)
        self.places["udf-descriptors", "", ""] = main * SECTOR
        self.udf.write(self.root, self.sectors, block_count)
