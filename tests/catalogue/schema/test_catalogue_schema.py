"""Opening: new, old, newer, foreign, damaged, locked and read-only catalogue files."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PureWindowsPath
from urllib.parse import unquote

import pytest

from made_library import open_library, tide_image, write
from mediashelf.catalogue import schema
from mediashelf.catalogue.images import Namesakes
from mediashelf.catalogue.opening import as_uri
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import CatalogueError, CatalogueTooNewError
from mediashelf.places import catalogue_place


def connect(path: Path | str) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "catalogue.sqlite"


def test_a_new_file_is_ours_checked_and_in_wal_mode(place: Path) -> None:
    with open_catalogue(place, create=True) as catalogue:
        assert catalogue.exists
        assert catalogue.can_write
    db = connect(place)
    assert db.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
    assert db.execute("PRAGMA user_version").fetchone() == (len(schema.STEPS),)
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such rights of files")
@pytest.mark.parametrize("umask", [0o000, 0o022, 0o777])
def test_a_new_file_is_its_owner_s_alone(place: Path, umask: int) -> None:
    before = os.umask(umask)
    try:
        with open_catalogue(place, create=True) as catalogue:
            catalogue.shelves()
            modes = {each.stat().st_mode & 0o777 for each in place.parent.glob("catalogue*")}
    finally:
        os.umask(before)
    assert modes == {0o600}


def test_foreign_keys_are_held(place: Path) -> None:
    with (
        pytest.raises(CatalogueError, match="FOREIGN KEY"),
        open_catalogue(place, create=True) as catalogue,
    ):
        catalogue.db.execute("INSERT INTO disc_facts VALUES (99, x'00')")


def test_the_default_place_is_in_the_data_folder(private_data_folder: Path) -> None:
    assert catalogue_place() == private_data_folder / "mediashelf" / "catalogue.sqlite"
    with open_catalogue(create=True):
        assert catalogue_place().exists()


def test_asking_without_a_file_makes_none(place: Path) -> None:
    with open_catalogue(place) as catalogue:
        assert not catalogue.exists
        assert catalogue.shelves() == []
        assert catalogue.images() == []
        assert catalogue.find("lkvx").hits == []
    assert not place.exists()


def first(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE one (x)")


def second_fails(db: sqlite3.Connection) -> None:
    db.execute("CREATE TABLE two (x)")
    db.execute("INSERT INTO nowhere VALUES (1)")


def second(db: sqlite3.Connection) -> None:
    db.execute("ALTER TABLE one ADD COLUMN y DEFAULT 7")


def test_a_failing_step_leaves_the_version_before_it() -> None:
    db = connect(":memory:")
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        schema.migrate(db, (first, second_fails))
    assert schema.schema_version(db) == 1
    assert db.execute("SELECT name FROM sqlite_schema").fetchall() == [("one",)]
    db.execute("INSERT INTO one VALUES (5)")
    schema.migrate(db, (first, second))
    assert schema.schema_version(db) == 2
    assert db.execute("SELECT * FROM one").fetchall() == [(5, 7)]
    db.close()


def test_migrating_twice_changes_nothing() -> None:
    db = connect(":memory:")
    schema.migrate(db)
    before = db.execute("SELECT sql FROM sqlite_schema").fetchall()
    schema.migrate(db)
    assert db.execute("SELECT sql FROM sqlite_schema").fetchall() == before
    db.close()


def test_a_newer_catalogue_is_left_alone(place: Path) -> None:
    with open_catalogue(place, create=True):
        pass
    db = connect(place)
    db.execute("PRAGMA user_version = 999")
    db.close()
    with (
        pytest.raises(CatalogueTooNewError, match="catalogue version 999"),
        open_catalogue(place),
    ):
        pass
    db = connect(place)
    assert db.execute("PRAGMA user_version").fetchone() == (999,)
    db.close()


def test_another_program_s_database_is_refused_and_unchanged(place: Path) -> None:
    db = connect(place)
    db.execute("CREATE TABLE bookmarks (url)")
    db.close()
    before = place.read_bytes()
    for create in (False, True):
        with (
            pytest.raises(CatalogueError, match="another program's SQLite database"),
            open_catalogue(place, create=create),
        ):
            pass
    assert place.read_bytes() == before


@pytest.mark.parametrize("content", [b"not a database at all\n" * 100, b"SQLite format 3\0" * 300])
def test_what_is_no_database_is_refused_and_unchanged(place: Path, content: bytes) -> None:
    place.write_bytes(content)
    with pytest.raises(CatalogueError, match=r"catalogue\.sqlite: is"), open_catalogue(place):
        pass
    assert place.read_bytes() == content


def test_a_folder_in_its_place_is_refused(place: Path) -> None:
    place.mkdir()
    with pytest.raises(CatalogueError, match="cannot be opened"), open_catalogue(place):
        pass


def test_a_place_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with (
        pytest.raises(CatalogueError, match="cannot be made"),
        open_catalogue(tmp_path / "file" / "catalogue.sqlite", create=True),
    ):
        pass


def test_an_odd_file_name_is_only_a_name(tmp_path: Path) -> None:
    mark = "" if os.name == "nt" else "?"  # which Windows does not have in names
    place = tmp_path / f"what{mark}mode=memory&x=%41#.sqlite"
    with open_catalogue(place, create=True):
        pass
    assert place.exists()


def test_damage_inside_is_said_in_one_sentence(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        write(library.root / "tide.iso", tide_image())
        library.scan()
    place = tmp_path / "catalogue.sqlite"
    data = bytearray(place.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    data[page:] = b"\xa5" * (len(data) - page)  # all but the page with the schema
    place.write_bytes(data)
    with (
        pytest.raises(CatalogueError, match="is damaged"),
        open_catalogue(place) as catalogue,
    ):
        catalogue.images()


def test_a_lock_is_waited_for_and_then_said(place: Path, tmp_path: Path) -> None:
    with open_catalogue(place, create=True):
        pass
    other = connect(place)
    other.execute("BEGIN IMMEDIATE")
    try:
        with (
            pytest.raises(CatalogueError, match="another run is writing it"),
            open_catalogue(place, wait_seconds=0.05) as catalogue,
        ):
            assert catalogue.shelves() == []  # asking needs no lock
            add_shelf(catalogue, tmp_path)
    finally:
        other.execute("ROLLBACK")
        other.close()
    with open_catalogue(place, wait_seconds=0.05) as catalogue:
        assert add_shelf(catalogue, tmp_path, "home").name == "home"


ASK = """
import json, os, sys
from pathlib import Path, PureWindowsPath
from urllib.parse import unquote
from mediashelf.catalogue import search  # nobody may not be let into the code's folder
from mediashelf.catalogue.store import open_catalogue
os.setgid(65534)
os.setuid(65534)
with open_catalogue(Path(sys.argv[1])) as catalogue:
    print(catalogue.can_write, [row.path for row in catalogue.images()],
          len(catalogue.find("lkvx").hits))
"""


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs root to become nobody"
)
def test_a_catalogue_that_cannot_be_written_can_be_asked(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        write(library.root / "tide.iso", tide_image())
        library.scan()
    place = tmp_path / "catalogue.sqlite"
    for folder in (tmp_path, *tmp_path.parents[:3]):
        if folder != Path("/"):
            folder.chmod(0o755)
    place.chmod(0o444)
    listed = sorted(path.name for path in tmp_path.iterdir())
    run = subprocess.run(
        [sys.executable, "-c", ASK, place], capture_output=True, text=True, check=False
    )
    assert run.stdout == "False ['tide.iso'] 2\n", run.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == listed


@contextmanager
def small_disk(folder: Path) -> Iterator[Callable[[str], None]]:
    """A disk of 1 MiB at a folder; what is yielded mounts it anew with an option."""
    if shutil.which("mount") is None:
        pytest.skip("this system has no mount command")
    folder.mkdir()

    def mount(options: str) -> None:
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        if subprocess.run(command, capture_output=True, check=False).returncode:
            pytest.skip("mounting is not allowed here")

    mount("size=1m")
    try:
        yield mount
    finally:
        subprocess.run(["umount", folder], check=True)


def fill(folder: Path) -> None:
    with suppress(OSError), (folder / "rest").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def shelf_in_log(place: Path) -> None:
    """Leave a catalogue as a run that was killed does: its last shelf is in the log alone."""
    made = place.with_name("made.sqlite")
    with open_catalogue(made, create=True) as catalogue:
        catalogue.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        add_shelf(catalogue, place.parent / "home", "last")
        for end in ("", "-wal"):
            shutil.copyfile(f"{made}{end}", f"{place}{end}")


@pytest.mark.parametrize("is_killed", [False, True], ids=["closed", "killed"])
@pytest.mark.parametrize("is_full", [False, True], ids=["read-only", "full"])
def test_a_catalogue_on_a_disk_that_takes_nothing_can_be_asked(
    tmp_path: Path, *, is_full: bool, is_killed: bool
) -> None:
    place = tmp_path / "small" / "catalogue.sqlite"
    (tmp_path / "home").mkdir()
    with small_disk(place.parent) as mount:
        if is_killed:
            shelf_in_log(tmp_path / "catalogue.sqlite")
            for end in ("", "-wal"):
                shutil.copyfile(f"{tmp_path / place.name}{end}", f"{place}{end}")
        else:
            with open_catalogue(place, create=True) as catalogue:
                add_shelf(catalogue, tmp_path / "home", "last")
        if is_full:
            fill(place.parent)
        else:
            mount("remount,ro")
        with open_catalogue(place) as catalogue:
            assert [shelf.name for shelf in catalogue.shelves()] == ["last"]
            assert not catalogue.can_write
        words = "the disk is full" if is_full else "cannot be written"
        with pytest.raises(CatalogueError, match=words), open_catalogue(place) as catalogue:
            add_shelf(catalogue, place.parent, "more")


def test_a_catalogue_that_was_broken_off_in_older_mode_is_not_read_half(tmp_path: Path) -> None:
    """The journal has what must be put back (SQLite, File Locking And Concurrency, 4.0)."""
    place = tmp_path / "small" / "catalogue.sqlite"
    with small_disk(place.parent) as mount:
        made = tmp_path / "catalogue.sqlite"
        with open_catalogue(made, create=True):
            pass
        db = sqlite3.connect(made, isolation_level=None)
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("PRAGMA cache_size = 1")
        db.execute("BEGIN")
        rows = ((f"{n:0500}", bytes([n]), "") for n in range(200))
        db.executemany("INSERT INTO shelves (name, root, added_at) VALUES (?, ?, ?)", rows)
        for end in ("", "-journal"):
            shutil.copyfile(f"{made}{end}", f"{place}{end}")
        db.close()
        mount("remount,ro")
        words = "broken off while it wrote.*copy it together with catalogue.sqlite-journal"
        with pytest.raises(CatalogueError, match=words), open_catalogue(place) as catalogue:
            catalogue.shelves()


def test_an_older_file_that_cannot_be_written_says_so(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_catalogue(place, create=True):
        pass
    monkeypatch.setattr("mediashelf.catalogue.opening.STEPS", (*schema.STEPS, first))
    monkeypatch.setattr("mediashelf.catalogue.schema.STEPS", (*schema.STEPS, first))
    monkeypatch.setattr("mediashelf.catalogue.opening.os.access", lambda path, mode: False)
    with pytest.raises(CatalogueError, match="must be brought up to date"), open_catalogue(place):
        pass


def test_an_old_sqlite_is_named(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mediashelf.catalogue.opening.OLDEST_SQLITE", (99, 0, 0))
    with pytest.raises(CatalogueError, match=r"needs 99\.0\.0"), open_catalogue(place):
        pass


def test_a_question_that_was_not_read_to_its_end_keeps_no_file_open(tmp_path: Path) -> None:
    """SQLite removes its files beside the catalogue when the last user of them has closed it.

    An error keeps the frames that it came through, and with them their questions.
    """
    place = tmp_path / "catalogue.sqlite"
    with pytest.raises(CatalogueError) as kept, open_catalogue(place, create=True) as catalogue:
        left = catalogue.db.execute("SELECT name FROM sqlite_schema")
        next(left)
        catalogue.db.execute("SELECT nothing")
    assert [path.name for path in tmp_path.iterdir()] == ["catalogue.sqlite"]
    assert kept.value and left


@pytest.mark.parametrize(
    ("place", "uri"),
    [
        ("C:\\Users\\Anna Ö\\c.sqlite", "file:///C:/Users/Anna%20%C3%96/c.sqlite"),
        ("\\\\shelf-server\\isos\\c.sqlite", "file:////shelf-server/isos/c.sqlite"),
    ],
)
def test_a_catalogue_on_a_drive_or_share_of_windows(place: str, uri: str) -> None:
    """SQLite refuses a URI with a host in it ("URI Filenames In SQLite", 3.1)."""
    found = as_uri(PureWindowsPath(place))
    assert unquote(found) == unquote(uri)
    assert found.startswith("file:///")


def test_a_new_file_is_compared_with_images_of_its_size_alone(tmp_path: Path) -> None:
    def steps_among(count: int) -> int:
        steps = 0

        def count_step() -> int:
            nonlocal steps
            steps += 1
            return 0

        folder = tmp_path / str(count)
        folder.mkdir()
        with open_library(folder) as library:
            library.catalogue.db.executemany(
                "INSERT INTO images (shelf_id, path, size, mtime_ns, file_system, presence, "
                "verdict, scanned_at) VALUES (1, ?, ?, 0, '', 'here', 'recorded', '')",
                [(b"%d.iso" % number, 1000 + number) for number in range(count)],
            )
            library.catalogue.db.set_progress_handler(count_step, 1)
            assert Namesakes(library.catalogue.db).find_absent(1001, "2.iso") == []
            library.catalogue.db.set_progress_handler(None, 0)
        return steps

    assert steps_among(2000) == steps_among(20)
