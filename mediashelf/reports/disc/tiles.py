"""The tree of a disc with sizes, drawn as nested areas with labels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from mediashelf.reports.allowance import shorten
from mediashelf.reports.disc.areas import DrawnArea
from mediashelf.reports.disc.treemap import Box, squarify
from mediashelf.text import count_text, display_width, printable, size_text

MOST_TILES = 800
"""Areas below this part of the whole are drawn together, which bounds the drawing."""

LETTER = 6.9  # units that a column of the labels' type takes, on the safe side
LINE = 15.0  # units that a line of a label takes
_FRAME = 3.0
_SIGN = 14.0  # width of the sign of a flaw, in the upper right corner
_SMALLEST_OPEN = (54.0, 40.0)  # width and height from which a folder shows what it holds


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
