"""Trees that name the same files keep what they have in common once, and nothing else changes."""

from __future__ import annotations

import tracemalloc
from typing import Any

import pytest

from byte_views import BytesView
from make_image import make_iso
from mediashelf.formats.disc import read_disc
from mediashelf.formats.entries import iter_folders
from mediashelf.formats.iso.directories import directory_tree, tree_entries
from mediashelf.formats.iso.directories.directory_records import DirectoryRecords
from mediashelf.formats.iso.directories.record_columns import DirectoryRecord, RecordColumns
from mediashelf.formats.iso.directories.record_parsing import parse_directory
from mediashelf.formats.iso.directories.tree_entries import SharedEntries, plain_folder
from mediashelf.formats.iso.naming import Directory, Named
from mediashelf.formats.volume import Extent

MOST_A_FILE = 1024  # bytes, over all trees
FILES = 4000


def test_values_that_are_equal_are_the_same() -> None:
    root = Directory("", "", b"\0", 20, 2048, 90_000, 0, 1)
    sizes, names = [70_000, 70_000, 60_000, 0], ["A.TXT", "a.txt", "b.txt", "c.txt"]
    records = [
        DirectoryRecord(40 * number, b"X", 5000, size, 0, b"1234567")
        for number, size in enumerate(sizes)
    ]
    first = plain_folder(root, Named(RecordColumns.of(records[:1]), ["A.TXT;1"], names[:1]))
    second = plain_folder(root, Named(RecordColumns.of(records[1:]), names[1:], names[1:]))
    shared = SharedEntries()
    (one,) = shared.entries(first)
    kept = shared.entries(second)
    assert [one, *kept] == [*first.entries(), *second.entries()]
    assert kept[0].extents is one.extents
    assert kept[0].size is one.size
    assert [entry.extents for entry in kept[1:]] == [(Extent(5000, 60_000),), ()]
    third = plain_folder(root, Named(RecordColumns.of(records[2:3]), ["A.TXT;1"], names[2:3]))
    (again,) = shared.entries(third)  # each has a twin
    assert [again] == third.entries()
    assert (again.extents, again.path) == (kept[1].extents, kept[1].path)
    assert again.extents is kept[1].extents
    assert again.path is kept[1].path


def test_numbers_of_a_folder_in_the_same_order_are_the_same() -> None:
    files = {f"D/LONG NAME {number}.TXT": bytes(3000 + number) for number in range(40)}
    facts = read_disc(BytesView(make_iso(files, joliet=3).data)).facts
    iso, joliet = (list(iter_folders(volume.entries))[1] for volume in facts.volumes)
    assert iso.sizes is joliet.sizes
    assert iso.dates is joliet.dates


def test_records_of_rock_ridge_are_parsed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    parsed: list[str] = []

    def counted(data: bytes, **options: Any) -> DirectoryRecords:
        parsed.append(options["where"])
        return parse_directory(data, **options)

    monkeypatch.setattr(directory_tree, "parse_directory", counted)
    files = {"A.TXT": b"a", "D/B.TXT": b"b"}
    view = BytesView(make_iso(files, rock_ridge=True, long_names={"A.TXT": "long.txt"}).data)
    facts = read_disc(view).facts
    assert len(parsed) == 2
    assert [entry.path for entry in facts.volumes[1].entries][-1].endswith("B.TXT")
    monkeypatch.setattr(tree_entries, "_MOST_RECORDS", 0)
    assert read_disc(view).facts == facts
    assert len(parsed) == 2 + 4


def test_three_trees_take_a_kilobyte_a_file() -> None:
    names = {f"D{number // 200:02}/F{number:05}.TXT": b"x" for number in range(FILES)}
    long = {path: path[4:].lower() + " long name.text" for path in names}
    data = make_iso(names, joliet=3, rock_ridge=True, long_names=long).data
    view = BytesView(data)
    tracemalloc.start()
    try:
        facts = read_disc(view).facts
        assert len(facts.volumes) == 3
        for volume in facts.volumes:
            assert len(list(volume.entries)) == len(volume.entries) > FILES
        kept, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept / FILES < most / FILES < MOST_A_FILE
