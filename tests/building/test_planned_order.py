"""The files of a plan are in the order of their long paths, though nobody sorts whole paths."""

from __future__ import annotations

import random
from pathlib import Path

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.planning.listing import list_sources
from mediashelf.building.recipes.source_names import recipe_from_folders

NAMES = ("a", "a b", "a!x", "a-", "a.txt", "ab", "a0", "á", "b", "日本")  # around the sign "/"


def test_files_are_in_the_order_of_their_paths_as_text(tmp_path: Path) -> None:
    randomness = random.Random(7)
    tree = {"a b/x": b"1", "a!/x": b"2", "ac": b"3", "a/x": b"4", "a/b/c": b"5", "a/b!": b"6"}
    for _ in range(150):
        parts = randomness.choices(NAMES, k=randomness.randint(2, 10))
        tree[f"t/{'/d'.join(parts)}.f"] = b"%d" % len(tree)
    plan = plan_disc(recipe_from_folders([write_tree(tmp_path / "top", tree)]))
    paths = [file.long_path for file in plan.files]
    assert paths == sorted(paths)
    assert len(paths) == plan.file_count == len(tree) + 1


def test_a_listing_finds_files_by_the_names_of_the_host(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"a/b/c.txt": b"c", "d": b"d"})
    listing = list_sources(recipe_from_folders([top]))
    assert all(listing.find(path) is file for path, file in listing.iter_paths())
    assert [listing.find(path) for path in ("/a", "/a/b/d", "/x/y", "/d/d")] == [None] * 4
