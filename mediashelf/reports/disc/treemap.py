"""Nested areas in proportion to sizes: the squarified treemap.

The algorithm is that of Bruls, Huizing and van Wijk, "Squarified Treemaps"
(2000): areas are laid in rows along the shorter side, and a row takes one more
area as long as its worst proportion gets no worse. Equal input gives equal areas.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Box(NamedTuple):
    """A rectangle: left, top, width and height."""

    x: float
    y: float
    width: float
    height: float

    def inset(self, side: float, top: float) -> Box:
        """Return what is left inside a frame; never less than nothing."""
        return Box(
            self.x + side,
            self.y + top,
            max(0.0, self.width - 2 * side),
            max(0.0, self.height - top - side),
        )


def squarify(sizes: Sequence[float], box: Box) -> list[Box]:
    """Return a box for each size, in their order; together they fill ``box``.

    Sizes must be above zero and should descend, so that the boxes come out near
    to squares.
    """
    scale = box.width * box.height / (sum(sizes) or 1)
    areas = [size * scale for size in sizes]
    boxes: list[Box] = []
    while len(boxes) < len(areas):
        if min(box.width, box.height) <= 0:  # nothing is left for what is small beyond drawing
            boxes += [box] * (len(areas) - len(boxes))
            break
        count = _row_length(areas, len(boxes), min(box.width, box.height))
        row = areas[len(boxes) : len(boxes) + count]
        placed, box = _lay_row(row, box)
        boxes += placed
    return boxes


def _row_length(areas: Sequence[float], start: int, side: float) -> int:
    """Return how many areas from ``start`` on make the best row along ``side``."""
    total = largest = smallest = areas[start]
    best = _worst(largest, smallest, total, side)
    count = 1
    for area in areas[start + 1 :]:
        largest, smallest, total = max(largest, area), min(smallest, area), total + area
        worst = _worst(largest, smallest, total, side)
        if worst > best:
            break
        best, count = worst, count + 1
    return count


def _worst(largest: float, smallest: float, total: float, side: float) -> float:
    """Return the worst proportion, 1 or more, of areas in a row of this total."""
    square = side * side
    return max(square * largest / (total * total), total * total / (square * smallest))


def _lay_row(areas: Sequence[float], box: Box) -> tuple[list[Box], Box]:
    """Return boxes along the shorter side of ``box``, and what is left of it."""
    total = sum(areas)
    boxes = []
    if box.width >= box.height:
        width = total / box.height
        at = box.y
        for area in areas:
            boxes.append(Box(box.x, at, width, area / width))
            at += area / width
        rest = Box(box.x + width, box.y, max(0.0, box.width - width), box.height)
    else:
        height = total / box.width
        at = box.x
        for area in areas:
            boxes.append(Box(at, box.y, area / height, height))
            at += area / height
        rest = Box(box.x, box.y + height, box.width, max(0.0, box.height - height))
    return boxes, rest
