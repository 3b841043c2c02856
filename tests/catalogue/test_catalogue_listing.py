"""The list of a disc's entries, of trees that agree and of ones that are damaged."""

from __future__ import annotations

import time

from mediashelf.catalogue.listing import list_entries
from mediashelf.collector import collector_paused
from mediashelf.formats.volume import DiscFacts, Entry, Extent, VolumeFacts, VolumeKind


def test_folders_that_come_again_and_again_take_linear_time() -> None:
    """As on a disc whose directories name each other; two trees stay one list (own behaviour)."""

    def seconds(count: int) -> float:
        paths = [f"/{'ab'[number % 2]}/tide {number}" for number in range(count)]
        entries = tuple(
            Entry(path, "", 7, False, (Extent(30 + number, 7),))
            for number, path in enumerate(paths)
        )
        trees = [
            VolumeFacts(kind, "T", entries) for kind in (VolumeKind.ISO9660, VolumeKind.JOLIET)
        ]
        with collector_paused():
            start = time.process_time()
            listed = list_entries(DiscFacts(1 << 20, tuple(trees)))
            took = time.process_time() - start
        assert {f"{entry.folder}/{entry.name}" for entry in listed} == set(paths)
        assert len(listed) == count
        assert {entry.marks for entry in listed} == {2 | 4}
        return took

    # Four times the folders may take four times the time, with room for noise; never sixteen.
    assert seconds(4000) < 10 * max(seconds(1000), 0.02)


def test_many_equal_trees_take_time_in_proportion_to_them() -> None:
    """A disc can have as many descriptors of trees as readers look at (own behaviour)."""

    def seconds(count: int) -> float:
        entries = tuple(
            Entry(f"/tide {number}", "", 7, False, (Extent(30 + number, 7),))
            for number in range(1000)
        )
        trees = [VolumeFacts(VolumeKind.JOLIET, "T", entries) for _ in range(count)]
        with collector_paused():
            start = time.process_time()
            listed = list_entries(DiscFacts(1 << 20, tuple(trees)))
            took = time.process_time() - start
        last = 1000 * (count - 1)  # whose entries are those that all others are cut from
        twins = [entry.twin for entry in listed]
        assert twins == [*range(last, last + 1000)] * (count - 1) + [None] * 1000
        return took

    assert seconds(40) < 10 * max(seconds(10), 0.02)
