"""The tree of a disc as areas: sizes add up, labels fit, and everything has its place."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from disc_facts import disc, volume
from mediashelf.findings import Severity
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind
from mediashelf.reports.disc.areas import DrawnArea, best_volume, disc_areas
from mediashelf.reports.disc.tiles import LETTER, LINE, MOST_TILES, Tile, lay_tiles
from mediashelf.text import display_width

BOX = (800.0, 500.0)


def areas(paths: dict[str, int], **severities: Severity) -> DrawnArea:
    tree = volume(VolumeKind.JOLIET, paths)
    levels = [severities.get(entry.path[1:], 0) for entry in tree.entries]
    return disc_areas(tree, levels)[0]


def tiles(paths: dict[str, int]) -> list[Tile]:
    return lay_tiles(areas(paths), *BOX)


def test_folders_have_the_size_of_all_below_them() -> None:
    root = areas({"A/B/x": 10, "A/y": 5, "z": 1, "empty": 0})
    assert (root.size, root.file_count) == (16, 4)
    a = root.folders["A"]
    assert (a.size, a.file_count, a.folders["B"].size) == (15, 2, 10)
    assert [child.name for child in root.by_size()] == ["A", "z"]


def test_a_place_that_files_share_is_counted_once() -> None:
    shared = (Extent(50, 4096),)
    entries = (
        Entry("/one", "ONE", 4096, False, shared),
        Entry("/two", "TWO", 4096, False, shared),
        Entry("/none", "NONE", 0, False, ()),
        Entry("/nothing", "NOTHING", 0, False, ()),
    )
    root, count = disc_areas(VolumeFacts(VolumeKind.JOLIET, "D", entries))
    assert (root.size, root.file_count, count) == (4096, 4, 1)


def test_the_fullest_names_are_drawn() -> None:
    both = disc(iso={"A": 1}, joliet={"a long name": 1})
    assert best_volume(both) is both.volumes[1]
    unread = VolumeFacts(VolumeKind.UDF, "D", entries_read=False)
    assert best_volume(DiscFacts(9, (unread,))) is None
    iso = volume(VolumeKind.ISO9660, {"A": 1})
    assert best_volume(DiscFacts(9, (iso, unread))) is iso


def test_areas_are_in_proportion() -> None:
    big, small = tiles({"big": 3000, "small": 1000})
    assert big.box.width * big.box.height == pytest.approx(3 * small.box.width * small.box.height)
    assert big.lines == ("big", "2.9 KiB")


def test_chains_of_folders_are_one_frame() -> None:
    kinds = [(tile.kind, tile.lines[0]) for tile in tiles({"a/b/c/x": 10, "a/b/c/y": 10})]
    assert kinds == [("folder", "a/b/c/  20 bytes"), ("file", "x"), ("file", "y")]


def test_small_things_are_drawn_together_and_counted() -> None:
    paths = {"big": 10**9} | {f"{number}.txt": 10 for number in range(50)}
    kinds = [(tile.kind, tile.title) for tile in tiles(paths)]
    assert kinds == [
        ("file", "/big, 953.7 MiB"),
        ("rest", "50 small files together, 500 bytes"),
    ]


def test_a_flaw_is_shown_where_the_file_is_drawn() -> None:
    root = areas(
        {"good": 900, "bad": 900, "dir/odd": 900, "noted": 900},
        bad=Severity.ERROR,
        noted=Severity.NOTE,
        **{"dir/odd": Severity.WARNING},
    )
    flaws = {tile.title.partition(",")[0]: tile.flaw for tile in lay_tiles(root, *BOX)}
    assert flaws == {"/good": "", "/bad": "error", "/dir": "", "/dir/odd": "warning", "/noted": ""}
    # Where a folder is too small to be opened, it carries the sign itself.
    (closed,) = [tile for tile in lay_tiles(root, 60, 60) if tile.title.startswith("/dir")]
    assert (closed.kind, closed.flaw) == ("closed", "warning")


def test_an_empty_disc_has_nothing_to_draw() -> None:
    assert tiles({}) == []
    assert tiles({"empty": 0}) == []


def test_a_file_in_the_place_of_a_folder_harms_nobody() -> None:
    assert tiles({"a": 5, "a/b": 5})


NAMES = st.text(st.characters(codec="utf-16-be", exclude_characters="/"), min_size=1, max_size=30)
PATHS = st.dictionaries(
    st.lists(NAMES, min_size=1, max_size=6).map("/".join), st.integers(0, 10**9), max_size=60
)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(PATHS)
def test_whatever_is_on_a_disc_labels_fit_and_areas_lie_in_the_drawing(
    paths: dict[str, int],
) -> None:
    entries = tuple(
        Entry(f"/{path}", "", size, False, (Extent(10 * number, size),))
        for number, (path, size) in enumerate(paths.items())
    )
    root, _ = disc_areas(VolumeFacts(VolumeKind.JOLIET, "D", entries))
    drawn = lay_tiles(root, *BOX)
    assert drawn == lay_tiles(root, *BOX)
    for tile in drawn:
        assert tile.box.x >= -1e-6
        assert tile.box.y >= -1e-6
        assert tile.box.x + tile.box.width <= BOX[0] + 1e-6
        assert tile.box.y + tile.box.height <= BOX[1] + 1e-6
        assert len(tile.lines) * LINE <= tile.box.height
        assert all(display_width(line) * LETTER <= tile.box.width for line in tile.lines)


def test_a_huge_disc_is_drawn_with_few_areas() -> None:
    chance = random.Random(1)
    entries = tuple(
        Entry(f"/{number % 97}/{number % 7}/{number}", "", size, False, (Extent(number, size),))
        for number, size in enumerate(chance.randrange(1, 10**6) for _ in range(30_000))
    )
    root, _ = disc_areas(VolumeFacts(VolumeKind.JOLIET, "D", entries))
    drawn = lay_tiles(root, *BOX)
    assert len(drawn) <= 3 * MOST_TILES
    rest = sum(tile.kind == "rest" for tile in drawn)
    assert rest
