"""A disc may have a million entries: what an audit keeps of each is little."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from make_image import make_iso
from mediashelf.image import DiscImage, open_image
from mediashelf.integrity.comparing.differences import Difference
from mediashelf.integrity.comparing.entries import compare_trees
from mediashelf.integrity.inside.contents import check_contents
from mediashelf.integrity.structure.damage import Span, entries_touched
from mediashelf.integrity.structure.parts import check_structure
from mediashelf.jobs.library.comparing import compare_places
from mediashelf.trees.opening import open_tree

SMALL, LARGE = 300, 1200  # files
MOST = 270  # bytes an entry: a million take less than 400 MB, with the program itself


def read_structure(image: DiscImage) -> None:
    assert not list(check_structure(image))


def read_contents(image: DiscImage) -> None:
    assert not list(check_contents(image))


def look_for_touched(image: DiscImage) -> None:
    assert len(entries_touched(image.facts, [Span(image.size - 2048, 2048)])) == 1


@pytest.mark.parametrize("look", [read_structure, read_contents, look_for_touched])
def test_an_entry_takes_little_memory(tmp_path: Path, look: Callable[[DiscImage], None]) -> None:
    peaks = [peak_of(tmp_path, count, look) for count in (SMALL, LARGE)]
    assert (peaks[1] - peaks[0]) / (2 * (LARGE - SMALL)) < MOST


def test_comparing_keeps_little_of_an_entry(tmp_path: Path) -> None:
    def compare(image: DiscImage) -> None:
        with open_tree(image.path) as one, open_tree(image.path) as other:
            assert compare_trees(one, other, are_bytes_equal=True).same_files

    peaks = [peak_of(tmp_path, count, compare) for count in (SMALL, LARGE)]
    # Three images are open; of two a tree is listed.
    assert (peaks[1] - peaks[0]) / (6 * (LARGE - SMALL)) < MOST


def test_comparing_folders_keeps_little_of_a_file(tmp_path: Path) -> None:
    def peak(count: int) -> int:
        folder = tmp_path / str(count)
        for number in range(count):
            path = folder / f"D{number // 100:03d}" / f"A name of some length {number:05d}.DAT"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"")
        tracemalloc.start()
        try:
            with open_tree(folder) as one, open_tree(folder) as other:
                assert compare_trees(one, other).same_files == count
                return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(SMALL // 2)  # what is made once is there from now on
    assert (peak(LARGE) - peak(SMALL)) / (LARGE - SMALL) < 500  # of both folders


@pytest.mark.parametrize(
    ("udf", "most"),
    # The second is compared by Joliet, which the first has as well.
    [(("NSR02", "NSR02"), 1350), (("NSR02", ""), 1800)],
)
def test_discs_with_other_names_take_the_memory_of_two_trees(
    tmp_path: Path, udf: tuple[str, str], most: int
) -> None:
    def peak(count: int) -> int:
        places = []
        for side, kind in zip("AB", udf, strict=True):
            files = {f"/D{n // 100:03d}/{side}{n:05d}.DAT": b"%06d" % n for n in range(count)}
            made = make_iso(files, joliet=True, udf=kind)
            places.append(made.save(tmp_path / f"{side}{count}.iso"))
        del files, made
        compare_places((places[0], places[1]), names=("A", "B"))
        tracemalloc.start()
        try:
            found = compare_places((places[0], places[1]), names=("A", "B"))
            assert found.trees.counts[Difference.RENAMED] == count
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    assert (peak(2 * LARGE) - peak(LARGE)) / LARGE < most


def peak_of(folder: Path, count: int, look: Callable[[DiscImage], None]) -> int:
    """Return the most bytes in use while an image of two trees is opened and looked at."""
    files = {f"/D{number // 100:03d}/F{number:05d}.DAT": b"%d" % number for number in range(count)}
    path = make_iso(files, joliet=True).save(folder / f"{count}.iso")
    with open_image(path) as image:  # what is made once, and kept, is there from now on
        look(image)
    tracemalloc.start()
    try:
        with open_image(path) as image:
            look(image)
            return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
