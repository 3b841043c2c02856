"""Trees that name the same files keep what they have in common once, and nothing else changes."""

from __future__ import annotations

import tracemalloc

from byte_views import BytesView
from make_image import make_iso
from mediashelf.formats.disc import read_disc
from mediashelf.formats.iso.tree_entries import SharedEntries
from mediashelf.formats.volume import Entry, Extent

MOST_A_FILE = 1024  # bytes, over all trees
FILES = 4000


def test_values_that_are_equal_are_the_same() -> None:
    one = Entry("/A.TXT", "A.TXT;1", 70_000, False, (Extent(5000, 70_000),), b"1234567", 0, 90_000)
    twin = Entry("/a.txt", "a.txt", 70_000, False, (Extent(5000, 70_000),), b"1234567", 0, 99_000)
    other = twin._replace(path="/b.txt", size=60_000, extents=(Extent(5000, 60_000),))
    empty = twin._replace(size=0, extents=())
    shared = SharedEntries()
    assert shared.share([one]) == [one]
    kept = shared.share([twin, other, empty])
    assert kept == [twin, other, empty]
    assert kept[0].extents is one.extents
    assert kept[0].size is one.size


def test_three_trees_take_a_kilobyte_a_file() -> None:
    names = {f"D{number // 200:02}/F{number:05}.TXT": b"x" for number in range(FILES)}
    long = {path: path[4:].lower() + " long name.text" for path in names}
    data = make_iso(names, joliet=3, rock_ridge=True, long_names=long).data
    view = BytesView(data)
    tracemalloc.start()
    try:
        facts = read_disc(view).facts
        kept, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(facts.volumes) == 3
    assert kept / FILES < most / FILES < MOST_A_FILE
