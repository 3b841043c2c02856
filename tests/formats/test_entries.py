"""Entries that are kept as columns are the same as entries, and made when they are asked for."""

from __future__ import annotations

import threading

import pytest

from byte_views import BytesView
from make_image import make_iso
from mediashelf.formats.disc import read_disc
from mediashelf.formats.entries import Entries, Folder, iter_folders
from mediashelf.formats.shared_column import SharedColumn
from mediashelf.formats.volume import Entry, Extent, VolumeKind

FILES = {"A.TXT": b"a", "EMPTY.TXT": b"", "D/B.TXT": b"bb", "D/E/C.TXT": b"c"}


def entries_of() -> Entries:
    entries = read_disc(BytesView(make_iso(FILES, joliet=3).data)).facts.volumes[0].entries
    assert isinstance(entries, Entries)
    return entries


def test_folders_that_somebody_takes_are_not_kept() -> None:
    view = BytesView(make_iso(FILES, joliet=3).data)
    kept = read_disc(view)
    taken: list[tuple[VolumeKind, Folder]] = []
    disc = read_disc(view, take_folder=lambda kind, folder: taken.append((kind, folder)))
    assert disc.findings == kept.findings
    assert [len(volume.entries) for volume in disc.facts.volumes] == [0, 0]
    for volume in kept.facts.volumes:
        folders = [folder for kind, folder in taken if kind is volume.kind and folder.names]
        assert Entries(folders) == volume.entries


def test_a_sequence_like_the_tuple_of_its_entries() -> None:
    lazy, whole = entries_of(), tuple(entries_of())
    assert [entry.path for entry in whole] == [
        *("/A.TXT", "/D", "/EMPTY.TXT", "/D/B.TXT", "/D/E", "/D/E/C.TXT"),
    ]
    assert (len(lazy), bool(lazy)) == (6, True)
    assert [lazy[index] for index in range(-6, 6)] == [*whole, *whole]
    with pytest.raises(IndexError):
        lazy[6]
    assert lazy[1:3] == whole[1:3]
    assert whole[-1] in lazy
    assert (lazy, whole) == (whole, lazy)
    assert lazy == entries_of()
    assert lazy != whole[1:]
    assert hash(lazy) == hash(whole)


def test_one_entry_makes_no_others(monkeypatch: pytest.MonkeyPatch) -> None:
    entries = entries_of()
    made = list(iter_folders(entries))
    with monkeypatch.context() as patched:
        patched.setattr(Entries, "_all", None)
        assert entries[3].path == "/D/B.TXT"
        assert entries[2].extents == ()
        assert entries[3].extents == (Extent(entries[3].extents[0].lba, 2),)
    assert [folder.path for folder in made] == ["", "/D", "/D/E"]


def test_folders_are_the_same_before_and_after_and_of_other_sequences() -> None:
    entries = entries_of()
    before = [folder.entries() for folder in iter_folders(entries)]
    whole = tuple(entries)
    assert [folder.entries() for folder in iter_folders(entries)] == before
    assert [folder.entries() for folder in iter_folders(whole)] == before
    assert [entry for folder in before for entry in folder] == list(whole)
    assert [folder.has_folders for folder in iter_folders(whole)] == [True, True, False]


def test_a_folder_whose_entries_are_apart_comes_twice() -> None:
    entries = [
        Entry("/D/A", "A", 1, False),
        Entry("/E/B", "B", 1, False),
        Entry("/D/C", "C", 1, False),
    ]
    assert [folder.path for folder in iter_folders(entries)] == ["/D", "/E", "/D"]


def test_two_threads_get_the_same_entries() -> None:
    made: list[tuple[Entry, ...]] = []
    entries = Entries(
        Folder.of(f"/{number}", [Entry(f"/{number}/{name}", "", 0, False) for name in range(200)])
        for number in range(200)
    )
    threads = [threading.Thread(target=lambda: made.append(tuple(entries))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({len(each) for each in made}) == 1
    assert made[0] == made[1] == made[2] == made[3] == tuple(entries)
    assert len(made[0]) == len(entries) == 40_000


def test_a_shared_column_is_worked_out_once_for_equal_columns_alone() -> None:
    asked: list[str] = []

    def sizes(folder: Folder) -> list[int]:
        asked.append(folder.path)
        return list(folder.sizes)

    column = SharedColumn(sizes)
    first = Folder("", ["A"], ["A"], [5], b"\0", (7,), None, [b""], b"\0", [0])
    assert column.of(first) == [5]
    assert column.of(first._replace(path="/D", names=["B"])) == [5]
    assert column.of(first._replace(path="/E", sizes=[6])) == [6]
    assert column.of(first._replace(path="/F", lbas=(8,))) == [5]
    assert column.of(Folder.of("/G", [Entry("/G/A", "A", 3, False)])) == [3]
    assert asked == ["", "/E", "/F", "/G"]
