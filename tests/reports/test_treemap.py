"""Squarified treemaps: areas in proportion, inside the box, side by side and near to squares."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediashelf.reports.disc.treemap import Box, squarify


def proportion(box: Box) -> float:
    return max(box.width / box.height, box.height / box.width)


def test_the_worked_example_of_the_paper() -> None:
    """Areas 6, 6, 4, 3, 2, 2, 1 in 6 by 4: Bruls, Huizing and van Wijk, section 3 (from memory).

    The first two stand on each other at the left, 3 by 2 each; then 4 and 3 side by
    side at the end of the rest.
    """
    boxes = squarify([6, 6, 4, 3, 2, 2, 1], Box(0, 0, 6, 4))
    assert boxes[0] == pytest.approx((0, 0, 3, 2))
    assert boxes[1] == pytest.approx((0, 2, 3, 2))
    assert boxes[2] == pytest.approx((3, 0, 12 / 7, 7 / 3))
    assert boxes[3] == pytest.approx((3 + 12 / 7, 0, 9 / 7, 7 / 3))
    assert max(map(proportion, boxes)) < 3


SIZES = st.lists(st.integers(1, 10**9), min_size=1, max_size=60).map(
    lambda sizes: sorted(sizes, reverse=True)
)
BOXES = st.builds(Box, st.just(5.0), st.just(7.0), st.floats(10, 2000), st.floats(10, 2000))


@settings(derandomize=True, deadline=None)
@given(SIZES, BOXES)
def test_areas_are_in_proportion_and_fill_the_box(sizes: list[int], box: Box) -> None:
    boxes = squarify(sizes, box)
    unit = box.width * box.height / sum(sizes)
    assert len(boxes) == len(sizes)
    for size, each in zip(sizes, boxes, strict=True):
        assert each.width * each.height == pytest.approx(size * unit, rel=1e-4, abs=1e-6)
        assert each.x >= box.x - 1e-6
        assert each.y >= box.y - 1e-6
        assert each.x + each.width <= box.x + box.width + 1e-6
        assert each.y + each.height <= box.y + box.height + 1e-6


@settings(derandomize=True, deadline=None)
@given(st.lists(st.integers(1, 1000), min_size=2, max_size=25), BOXES)
def test_areas_do_not_overlap(sizes: list[int], box: Box) -> None:
    boxes = squarify(sorted(sizes, reverse=True), box)
    for index, one in enumerate(boxes):
        for other in boxes[index + 1 :]:
            wide = min(one.x + one.width, other.x + other.width) - max(one.x, other.x)
            high = min(one.y + one.height, other.y + other.height) - max(one.y, other.y)
            assert min(wide, high) < 1e-6


@pytest.mark.parametrize("sizes", [[1e18, 1], [1, 1e-300], [10**18] + [1] * 50])
def test_what_is_too_small_to_draw_has_no_area(sizes: list[float]) -> None:
    boxes = squarify(sizes, Box(0, 0, 100, 100))
    assert boxes[0].width * boxes[0].height == pytest.approx(10_000)
    assert all(box.width * box.height < 1e-6 for box in boxes[1:])


def test_a_box_without_room_has_areas_without_room() -> None:
    assert squarify([3, 2], Box(1, 2, 0, 50)) == [Box(1, 2, 0, 50)] * 2
    assert squarify([], Box(0, 0, 9, 9)) == []
