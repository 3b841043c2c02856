"""What takes the room on a disc: its tree with sizes, drawn as nested areas."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from msgspec import Struct, field

from mediashelf.findings import Severity
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.volume import DiscFacts, Extent, VolumeFacts, VolumeKind
from mediashelf.reports.allowance import shorten
from mediashelf.reports.disc.treemap import Box, squarify
from mediashelf.text import count_text, display_width, printable, size_text

MOST_TILES = 800
"""Areas below this part of the whole are drawn together, which bounds the drawing."""

LETTER = 6.9  # units that a column of the labels' type takes, on the safe side
LINE = 15.0  # units that a line of a label takes
_FRAME = 3.0
_SIGN = 14.0  # width of the sign of a flaw, in the upper right corner
_SMALLEST_OPEN = (54.0, 40.0)  # width and height from which a folder shows what it holds

_PREFERRED = (VolumeKind.JOLIET, VolumeKind.ROCKRIDGE, VolumeKind.UDF, VolumeKind.ISO9660)


_NO_CHILDREN: dict[str, DrawnArea] = {}  # of all files
_SEVERITIES: tuple[Severity | None, ...] = (None, *sorted(Severity))


class DrawnArea(Struct, gc=False):  # there are 100,000 of them, and no circles
    """A file or folder with its size in bytes; a folder's is that of all below it.

    ``above`` is the path of the folder that it is in, empty for the root. ``severity`` is that
    of the worst finding about it or anything below, None where there is none.
    """

    name: str
    above: str
    is_folder: bool
    size: int = 0
    file_count: int = 0
    severity: Severity | None = None
    children: dict[str, DrawnArea] = field(default_factory=dict)

    @property
    def path(self) -> str:
        """Its path on the disc."""
        return f"{self.above}/{self.name}"

    def add(self, files: DrawnArea) -> None:
        """Count more files below."""
        self.size += files.size
        self.file_count += files.file_count
        if files.severity is not None:
            self.severity = max(self.severity or files.severity, files.severity)

    @property
    def flaw(self) -> str:
        """The word of the severity where it is worth a sign, else nothing."""
        is_worth = self.severity is not None and self.severity > Severity.NOTE
        return self.severity.word if self.severity is not None and is_worth else ""

    def by_size(self) -> list[DrawnArea]:
        """Return what has a size, the largest first and then by name."""
        there = (child for child in self.children.values() if child.size)
        return sorted(there, key=lambda child: (-child.size, child.name))


class Tile(NamedTuple):
    """One drawn area.

    ``kind`` is ``folder`` (a frame), ``closed`` (a folder too small to open),
    ``file``, or ``rest`` (small things together). ``lines`` are the labels that fit,
    ``title`` says it all; ``flaw`` is ``error``, ``warning`` or empty.
    """

    kind: str
    box: Box
    lines: tuple[str, ...]
    title: str
    flaw: str


def best_volume(facts: DiscFacts) -> VolumeFacts | None:
    """Return the tree with the fullest names among those that were read."""
    volumes = [facts.volume(kind) for kind in _PREFERRED]
    return next((volume for volume in volumes if volume is not None and volume.entries_read), None)


def disc_areas(volume: VolumeFacts, severities: Sequence[int] = b"") -> tuple[DrawnArea, int]:
    """Return the tree of a volume, and how many files share the place of another.

    Each place on the disc is counted once, for the first file that shows it.
    ``severities`` has the worst finding about each entry, 0 where there is none.
    """
    root = DrawnArea("", "/", True)
    seen = _SeenPlaces()
    shared = start = 0
    for each in iter_folders(volume.entries):
        children: dict[str, DrawnArea] = {}
        added = DrawnArea("", "", True, children=children)
        levels = severities[start : start + len(each.names)] or bytes(len(each.names))
        start += len(each.names)
        for entry, name, level in zip(each.entries(), each.names, levels, strict=True):
            if entry.is_directory:
                continue
            is_shared = seen.have_all(entry.extents)
            shared += is_shared
            size = 0 if is_shared else entry.size
            file = DrawnArea(name, each.path, False, size, 1, _SEVERITIES[level], _NO_CHILDREN)
            children[name] = file
            added.add(file)
        if added.file_count:
            _put(root, each.path, added)
    return root, shared


class _SeenPlaces:
    """Where files begin that were met: 64 blocks are one number, since they are mostly full."""

    def __init__(self) -> None:
        self._blocks: dict[int, int] = {}
        self._inside: set[tuple[int, int]] = set()  # blocks with an offset

    def have_all(self, extents: Iterable[Extent]) -> bool:
        """Return whether a file with any bytes is where others are; from now on it was met."""
        new = there = 0
        for extent in extents:
            if not extent.size:
                continue
            there += 1
            if extent.offset:
                place = extent.lba, extent.offset
                new += place not in self._inside
                self._inside.add(place)
                continue
            number, bit = extent.lba >> 6, 1 << (extent.lba & 63)
            known = self._blocks.get(number, 0)
            new += not known & bit
            self._blocks[number] = known | bit
        return bool(there) and not new


def _put(root: DrawnArea, path: str, added: DrawnArea) -> None:
    """Put files into the folder of this path, and make it where it is not there."""
    folder = root
    folder.add(added)
    for part in path.split("/")[1:]:
        below = folder.children.get(part)
        if below is None or not below.is_folder:
            below = DrawnArea(part, folder.path.rstrip("/"), True)
            folder.children[part] = below
        folder = below
        folder.add(added)
    folder.children.update(added.children)


def lay_tiles(root: DrawnArea, width: float, height: float) -> list[Tile]:
    """Return the areas to draw in a box of this size, frames before what is in them."""
    smallest = width * height / MOST_TILES
    return list(_lay_children(root, Box(0, 0, width, height), smallest))


def _lay_children(folder: DrawnArea, box: Box, smallest: float) -> Iterator[Tile]:
    children = folder.by_size()
    total = sum(child.size for child in children)
    room = box.width * box.height
    drawn = [child for child in children if child.size * room >= smallest * total]
    small = children[len(drawn) :]
    sizes = [child.size for child in drawn]
    if small:
        sizes.append(sum(child.size for child in small))
    boxes = squarify(sizes, box)
    for child, place in zip(drawn, boxes, strict=False):
        yield from _lay(child, place, smallest)
    if small:
        yield _rest(small, boxes[-1])


def _lay(area: DrawnArea, box: Box, smallest: float) -> Iterator[Tile]:
    if not area.is_folder:
        yield _tile("file", area, area.name, box)
        return
    area, label = _joined(area)
    if box.width < _SMALLEST_OPEN[0] or box.height < _SMALLEST_OPEN[1]:
        yield _tile("closed", area, f"{label}/", box)
        return
    head = _fit(f"{label}/  {size_text(area.size)}", f"{label}/", box.width)
    lines = (head,) if head else ()
    yield Tile("folder", box, lines, _title(area), "")
    yield from _lay_children(area, box.inset(_FRAME, LINE + 2), smallest)


def _joined(area: DrawnArea) -> tuple[DrawnArea, str]:
    """Return the end of a chain of folders that hold one folder each, and its joined name."""
    names = [area.name]
    while len(area.children) == 1:
        (only,) = area.children.values()
        if not only.is_folder:
            break
        area = only
        names.append(area.name)
    return area, "/".join(names)


def _tile(kind: str, area: DrawnArea, name: str, box: Box) -> Tile:
    lines: list[str] = []
    label = _fit(name, name, box.width - (_SIGN if area.flaw else 0))
    if label and box.height >= LINE + 2:
        lines.append(label)
        size = size_text(area.size)
        if box.height >= 2 * LINE + 2 and len(size) * LETTER + 8 <= box.width:
            lines.append(size)
    return Tile(kind, box, tuple(lines), _title(area), area.flaw)


def _rest(small: list[DrawnArea], box: Box) -> Tile:
    files = sum(area.file_count for area in small)
    size = sum(area.size for area in small)
    flaw = max((area.flaw for area in small), key=("", "warning", "error").index)
    words = count_text(files, "small file")
    lines = [label for label in (_fit(words, f"{files:,}", box.width),) if label]
    if box.height < LINE + 2:
        lines = []
    return Tile("rest", box, tuple(lines), f"{words} together, {size_text(size)}", flaw)


def _title(area: DrawnArea) -> str:
    files = f", {count_text(area.file_count, 'file')}" if area.is_folder else ""
    return f"{shorten(area.path, 120)}, {size_text(area.size)}{files}"


def _fit(text: str, shorter: str, width: float) -> str:
    """Return the text, or the shorter one, or its start, as far as there is room; or nothing."""
    columns = int((width - 8) / LETTER)
    for candidate in (text, shorter):
        safe = printable(candidate)
        if display_width(safe) <= columns:
            return safe
    if columns < 4:
        return ""
    safe = printable(shorter)
    kept = ""
    for character in safe:
        if display_width(kept + character) > columns - 1:
            break
        kept += character
    return f"{kept}…"
