"""What takes the room on a disc: its tree with sizes, drawn as nested areas."""

from __future__ import annotations

from array import array
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


_SEVERITIES: tuple[Severity | None, ...] = (None, *sorted(Severity))


class _Files(NamedTuple):
    """Files of one folder as columns: there are 100,000 of them, and few are drawn."""

    above: str
    names: Sequence[str]
    sizes: Sequence[int]
    levels: Sequence[int]


class DrawnArea(Struct, gc=False):  # no circles
    """A file or folder with its size in bytes; a folder's is that of all below it.

    ``above`` is the path of the folder that it is in, empty for the root. ``severity`` is that
    of the worst finding about it or anything below, None where there is none. ``folders`` and
    ``files`` are those that are in a folder.
    """

    name: str
    above: str
    is_folder: bool
    size: int = 0
    file_count: int = 0
    severity: Severity | None = None
    folders: dict[str, DrawnArea] = field(default_factory=dict)
    files: tuple[_Files, ...] = ()

    @property
    def path(self) -> str:
        """Its path on the disc."""
        return f"{self.above}/{self.name}"

    def add(self, size: int, file_count: int, level: int) -> None:
        """Count more files below, of which the worst finding is of this severity."""
        self.size += size
        self.file_count += file_count
        self.severity = _SEVERITIES[max(self.severity or 0, level)]

    @property
    def flaw(self) -> str:
        """The word of the severity where it is worth a sign, else nothing."""
        is_worth = self.severity is not None and self.severity > Severity.NOTE
        return self.severity.word if self.severity is not None and is_worth else ""

    def by_size(self) -> list[DrawnArea]:
        """Return what has a size, the largest first and then by name."""
        there = [folder for folder in self.folders.values() if folder.size]
        there += self.iter_files()
        return sorted(there, key=lambda child: (-child.size, child.name))

    def iter_files(self) -> Iterator[DrawnArea]:
        """Yield the files in it that have a size, each made anew."""
        for above, *columns in self.files:
            for name, size, level in zip(*columns, strict=True):
                if size:
                    yield DrawnArea(name, above, False, size, 1, _SEVERITIES[level])


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
        count = len(each.names)
        levels = severities[start : start + count] or bytes(count)
        start += count
        sizes = array("Q")
        for extents, size, is_folder in zip(
            each.iter_extents(), each.sizes, each.are_folders, strict=True
        ):
            if not is_folder:
                is_shared = seen.have_all(extents)
                shared += is_shared
                sizes.append(0 if is_shared else size)
        if sizes:
            levels = bytes(each.of_files(levels))
            _put(root, _Files(each.path, each.of_files(each.names), sizes, levels))
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


def _put(root: DrawnArea, files: _Files) -> None:
    """Put files into their folder, and make it where it is not there."""
    counts = sum(files.sizes), len(files.names), max(files.levels)
    folder = root
    folder.add(*counts)
    for part in files.above.split("/")[1:]:
        if part not in folder.folders:
            folder.folders[part] = DrawnArea(part, folder.path.rstrip("/"), True)
        folder = folder.folders[part]
        folder.add(*counts)
    folder.files += (files,)


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
    while len(area.folders) == 1 and not area.files:
        (area,) = area.folders.values()
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
