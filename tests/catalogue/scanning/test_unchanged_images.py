"""Images that are as they were: only size, date and file system are compared, and no more asked."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from made_library import Library, tide_image, write
from mediashelf.catalogue import images
from mediashelf.catalogue.images import Namesakes
from mediashelf.catalogue.packages.looked_into import PLAIN, is_settled
from mediashelf.catalogue.records.stamps import Stamp, known_images, stamps_of
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.scanning import walk as walk_module
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.catalogue.scanning.walk import Walk, walk_folder
from mediashelf.jobs.library.scanning import plan_shelves, read_planned


def walked(root: Path, stamps: dict[str, Stamp]) -> Walk:
    return walk_folder(root, FileSystems(), tuple(stamps), stamps)


def stamp(path: Path) -> Stamp:
    status = path.stat()
    return status.st_size, status.st_mtime_ns, FileSystems().of(str(path.parent))


def test_what_has_its_stamp_is_counted_and_the_rest_is_seen(tmp_path: Path) -> None:
    names = ["same.iso", "larger.iso", "touched.iso", "moved.iso", "new.iso"]
    for name in names:
        (tmp_path / name).write_bytes(b"tide")
    stamps = {name: stamp(tmp_path / name) for name in names[:-1]}
    size, date, place = stamps["same.iso"]
    stamps["larger.iso"] = (size + 1, date, place)
    stamps["touched.iso"] = (size, date + 1, place)
    stamps["moved.iso"] = (size, date, "another file system")
    stamps["gone.iso"] = (size, date, place)
    walk = walked(tmp_path, stamps)
    assert (walk.unchanged, walk.unchanged_on) == (1, {place})
    assert sorted(walk.images) == ["larger.iso", "moved.iso", "new.iso", "touched.iso"]
    assert sorted(stamps) == ["gone.iso", "larger.iso", "moved.iso", "touched.iso"]


def test_links_folders_and_hidden_files_have_no_stamps(tmp_path: Path) -> None:
    file = tmp_path / "file.iso"
    file.write_bytes(b"tide")
    (tmp_path / ".hidden.iso").write_bytes(b"tide")
    (tmp_path / "folder.iso").mkdir()
    (tmp_path / "link.iso").symlink_to(file)
    names = [".hidden.iso", "folder.iso", "link.iso"]
    stamps = {name: stamp(tmp_path / name) for name in names}
    walk = walked(tmp_path, stamps)
    assert walk.unchanged == 0
    assert sorted(walk.images) == ["file.iso", "link.iso"]
    assert sorted(stamps) == names


def test_a_track_is_known_by_a_sheet_that_is_as_it_was(tmp_path: Path) -> None:
    sheet, track = tmp_path / "Kiosk.cue", tmp_path / "KIOSK.bin"
    sheet.write_text("no sheet at all")
    track.write_bytes(b"nothing that looks like a disc")
    walk = walked(tmp_path, {"Kiosk.cue": stamp(sheet)})
    assert (walk.unchanged, [*walk.images]) == (1, ["KIOSK.bin"])
    assert [*walk_folder(tmp_path, FileSystems()).images] == ["KIOSK.bin", "Kiosk.cue"]


def test_a_folder_that_breaks_off_has_nothing_unchanged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "box").mkdir()
    file = tmp_path / "box" / "file.iso"
    file.write_bytes(b"tide")
    whole = walk_module.listed_folder

    @contextmanager
    def broken_off(folder: str) -> Iterator[Iterator[os.DirEntry[str]]]:
        def entries() -> Iterator[os.DirEntry[str]]:
            yield from listed
            if folder.endswith("box"):
                raise OSError(5, "Input/output error")

        with whole(folder) as listed:
            yield entries()

    stamps = {"box/file.iso": stamp(file)}
    with monkeypatch.context() as broken:
        broken.setattr(walk_module, "listed_folder", broken_off)
        walk = walked(tmp_path, stamps)
    assert (walk.unchanged, walk.unread_folders) == (0, {"box": "Input/output error"})
    assert [*stamps] == ["box/file.iso"]


def test_what_must_be_looked_at_has_no_stamp(library: Library) -> None:
    for number, name in enumerate(("here.iso", "gone.iso", "waits.iso", "unread.iso")):
        write(library.root / name, tide_image(number))
    library.scan()
    db, (shelf,) = library.catalogue.db, library.catalogue.shelves()
    assert set(stamps_of(db, shelf)) == {"here.iso", "gone.iso", "waits.iso", "unread.iso"}
    assert known_images(db, shelf, stamps_of(db, shelf)) == {}
    (library.root / "gone.iso").unlink()
    write(library.root / "waits.iso", tide_image(9))
    os.utime(library.root / "waits.iso", ns=(1, 1))
    library.scan()
    db.execute("UPDATE images SET verdict = 'unreadable' WHERE path = ?", [b"unread.iso"])
    assert set(stamps_of(db, shelf)) == {"here.iso"}
    assert set(known_images(db, shelf, {"here.iso"})) == {"gone.iso", "unread.iso", "waits.iso"}


def test_an_image_that_left_is_known_by_size_and_name(library: Library) -> None:
    file = write(library.root / "a.iso", tide_image(1))
    library.scan()
    (row,) = library.catalogue.images()
    db = library.catalogue.db
    assert Namesakes(db).find_absent(row.size, "a.iso") == []  # it is at its place
    file.unlink()
    namesakes = Namesakes(db)
    assert [one.id for one in namesakes.find_absent(row.size, "a.iso")] == [row.id]
    assert namesakes.find_absent(row.size + 1, "a.iso") == []
    assert namesakes.find_absent(row.size, "b.iso") == []
    db.execute("UPDATE images SET path = ?", [b"box/b.iso"])  # it was moved meanwhile
    assert namesakes.find_absent(row.size, "a.iso") == []


def test_images_of_one_name_and_size_are_asked_about_once(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Floppies of thousands of folders: each new one was compared with all before it."""
    asked: list[int] = []
    whole = images.load_rows

    def counted(db: sqlite3.Connection, *arguments: Any, **options: Any) -> list[ImageRow]:
        rows = whole(db, *arguments, **options)
        asked.append(len(rows))
        return rows

    for number in range(40):
        write(library.root / f"{number}" / "disk.iso", tide_image(number))
    library.scan()
    for number in range(40, 80):
        write(library.root / f"{number}" / "disk.iso", tide_image(number))
    with monkeypatch.context() as patched:
        patched.setattr(images, "load_rows", counted)
        _, outcomes = library.scan()
    assert len(outcomes) == 40
    assert sum(asked) < 200


def test_nothing_is_left_to_look_into_only_when_all_was(library: Library) -> None:
    db = library.catalogue.db
    write(library.root / "a.iso", tide_image(1))
    (library.root / "sheet.cue").write_text('FILE "none.bin" BINARY\n')
    library.scan()
    assert not is_settled(db, PLAIN)
    read_planned(library.catalogue, plan_shelves(library.catalogue, []))
    assert is_settled(db, PLAIN)
    assert not is_settled(db, PLAIN + 1)
    write(library.root / "b.iso", tide_image(2))
    library.scan()
    assert not is_settled(db, PLAIN)
    read_planned(library.catalogue, plan_shelves(library.catalogue, []))
    db.execute("DELETE FROM images WHERE path = ?", [b"b.iso"])
    assert not is_settled(db, PLAIN)  # its packages are there for nothing


def test_packages_of_an_image_that_went_are_not_settled_by_copies_of_another(
    library: Library,
) -> None:
    db = library.catalogue.db
    write(library.root / "a.iso", tide_image(1))
    write(library.root / "again.iso", tide_image(1))
    write(library.root / "b.iso", tide_image(2))
    read_planned(library.catalogue, plan_shelves(library.catalogue, []))
    assert is_settled(db, PLAIN)
    db.execute("DELETE FROM images WHERE path = ?", [b"b.iso"])
    # Two images, two records that have a content on record, and two contents.
    assert not is_settled(db, PLAIN)
