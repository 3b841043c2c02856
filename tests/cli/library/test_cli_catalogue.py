"""``mediashelf catalogue``: saved whole, brought back with the old one kept, and checked."""

from __future__ import annotations

import gzip
import os
import sqlite3
import stat
from contextlib import closing
from pathlib import Path

import pytest

from cli_runs import Shelf
from mediashelf.catalogue.steps.copying import MOST_KEPT
from mediashelf.catalogue.store import open_catalogue

STORED = Path(__file__).parents[3] / "fixtures" / "catalogues"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.with_discs(tmp_path, 3)


def test_a_copy_is_a_catalogue_of_its_own(shelf: Shelf) -> None:
    copy = shelf.folder / "saved.db"
    said = " ".join(shelf.run("catalogue", "save", copy).stdout.split())
    assert "saved.db: 3 images, " in said
    assert "read back and whole" in said
    assert sorted(path.name for path in shelf.folder.glob("saved*")) == ["saved.db"]
    before = shelf.json("list")
    other = Shelf(shelf.folder)
    assert other.json("list", "--catalogue", copy) == before
    assert shelf.json("catalogue", "check", "--catalogue", copy)["findings"] == []


def test_what_is_not_yet_in_the_main_file_is_copied_too(shelf: Shelf) -> None:
    with open_catalogue(shelf.catalogue) as opened:
        opened.db.execute("PRAGMA wal_autocheckpoint = 0")
        opened.db.execute("UPDATE shelves SET name = 'renamed'")
        shelf.run("catalogue", "save", shelf.folder / "saved.db")
    with open_catalogue(shelf.folder / "saved.db") as copy:
        assert [row.name for row in copy.shelves()] == ["renamed"]


def test_an_existing_file_and_the_catalogue_itself_are_not_written_over(shelf: Shelf) -> None:
    copy = shelf.folder / "saved.db"
    copy.write_text("mine")
    said = shelf.run("catalogue", "save", copy, code=9).stderr
    assert "exists already; choose another name, or write over it with --replace" in said
    assert copy.read_text() == "mine"
    shelf.run("catalogue", "save", copy, "--replace")
    assert copy.read_bytes()[:6] == b"SQLite"
    said = shelf.run("catalogue", "save", shelf.catalogue, "--replace", code=9).stderr
    assert "is the catalogue itself" in said


def test_no_catalogue_yet(tmp_path: Path) -> None:
    said = Shelf(tmp_path).run("catalogue", "save", tmp_path / "saved.db", code=3).stderr
    assert "there is no catalogue yet" in " ".join(said.split())
    assert list(tmp_path.iterdir()) == []
    # A mistyped path must not end as a check that found nothing wrong.
    said = Shelf(tmp_path).run("catalogue", "check", code=3).stderr
    assert "there is no catalogue yet, so nothing to check" in " ".join(said.split())


def test_restoring_keeps_the_one_before(shelf: Shelf) -> None:
    copy = shelf.folder / "saved.db"
    shelf.run("catalogue", "save", copy)
    before = shelf.json("list")
    shelf.run("shelf", "drop", "home", "--yes")
    assert "--replace keeps it beside" in shelf.run("catalogue", "restore", copy, code=9).stderr
    assert shelf.json("list")["images"] == []
    answer = shelf.json("catalogue", "restore", copy, "--replace")
    assert (answer["images"], answer["catalogue"]) == (3, str(shelf.catalogue))
    assert shelf.json("list") == before
    with open_catalogue(Path(answer["kept"])) as old:
        assert old.images() == []
    if os.name == "posix":
        assert stat.S_IMODE(shelf.catalogue.stat().st_mode) == 0o600


@pytest.mark.parametrize("what", ["text", "cut", "other", "empty"])
def test_what_is_not_a_whole_catalogue_replaces_nothing(shelf: Shelf, what: str) -> None:
    copy = shelf.folder / "saved.db"
    shelf.run("catalogue", "save", copy)
    if what == "text":
        copy.write_text("tide table\n" * 1000)
    elif what == "cut":
        copy.write_bytes(copy.read_bytes()[: -(40 << 10)])
    elif what == "empty":
        copy.write_bytes(b"")
    else:
        with closing(sqlite3.connect(shelf.folder / "other.db")) as db:
            db.execute("CREATE TABLE tides (height)")
        copy = shelf.folder / "other.db"
    before = shelf.catalogue.read_bytes()
    said = shelf.run("catalogue", "restore", copy, "--replace", code=10).stderr
    assert copy.name in said
    assert shelf.catalogue.read_bytes() == before
    assert not list(shelf.folder.glob("*before-restore*"))


def test_a_damaged_catalogue_is_replaced_by_a_saved_one(shelf: Shelf) -> None:
    copy = shelf.folder / "saved.db"
    shelf.run("catalogue", "save", copy)
    before = shelf.json("list")
    shelf.catalogue.write_bytes(b"\0" * 5000)
    shelf.run("catalogue", "restore", copy, "--replace")
    assert shelf.json("list") == before


def test_one_that_is_in_use_is_not_replaced(shelf: Shelf) -> None:
    copy = shelf.folder / "saved.db"
    shelf.run("catalogue", "save", copy)
    with closing(sqlite3.connect(shelf.catalogue, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        said = shelf.run("catalogue", "restore", copy, "--replace", code=10).stderr
        assert "another run is using it" in said


def damage(shelf: Shelf, statement: str) -> None:
    with closing(sqlite3.connect(shelf.catalogue, isolation_level=None)) as db:
        db.execute("PRAGMA foreign_keys = OFF")
        assert db.execute(statement).rowcount


@pytest.mark.parametrize(
    ("statement", "rule"),
    [
        ("UPDATE fixity SET digest = 'no digest' WHERE id = 1", "digest-is-one"),
        ("UPDATE fixity SET digest = substr(digest, 2) WHERE id = 1", "digest-is-one"),
        ("UPDATE block_digests SET digests = x'00'", "blocks-are-of-the-record"),
        ("DELETE FROM entries WHERE number = 0", "entries-are-all-there"),
        ("UPDATE entries SET twin = 999 WHERE number = 1", "entries-are-all-there"),
        ("DELETE FROM shelves", "catalogue-rows-belong"),
        ("UPDATE volumes SET image_id = 99 WHERE image_id = 1", "catalogue-rows-belong"),
        ("UPDATE entries SET name_id = 99999 WHERE number = 0", "catalogue-rows-belong"),
        ("UPDATE entries SET folder_id = 99999 WHERE number = 2", "catalogue-rows-belong"),
        ("UPDATE entries SET image_id = 99 WHERE image_id = 1", "catalogue-rows-belong"),
        ("UPDATE fixity SET confirmed_at = '2999-01-01T00:00:00Z'", "date-is-past"),
        ("UPDATE fixity SET confirmed_at = '1999-01-01T00:00:00Z'", "date-is-past"),
    ],
)
def test_rows_that_do_not_agree_are_found(shelf: Shelf, statement: str, rule: str) -> None:
    assert shelf.json("catalogue", "check")["findings"] == []
    damage(shelf, statement)
    is_date = rule == "date-is-past"
    findings = shelf.json("catalogue", "check", code=0 if is_date else 1)["findings"]
    assert rule in {finding["rule"] for finding in findings}
    assert all(finding["remedy"] for finding in findings)


@pytest.mark.parametrize(
    ("index", "statement"),
    [
        ("entries_by_name", "DELETE FROM entries WHERE number = 3"),
        ("entries_by_name", "UPDATE entries SET folder_id = folder_id % 3 + 1 WHERE number = 3"),
        ("fixity_by_digest", "UPDATE fixity SET digest = '00' WHERE id = 1"),
    ],
)
def test_an_index_that_does_not_agree_with_its_table_is_found(
    shelf: Shelf, index: str, statement: str
) -> None:
    """SQLite does not know of the index while the table is changed."""

    def change(sql: str, *values: object) -> None:
        with closing(sqlite3.connect(shelf.catalogue, isolation_level=None)) as db:
            db.execute("PRAGMA writable_schema = ON")
            assert db.execute(sql, values).rowcount

    with closing(sqlite3.connect(shelf.catalogue)) as db:
        row = db.execute("SELECT * FROM sqlite_schema WHERE name = ?", [index]).fetchone()
    change("DELETE FROM sqlite_schema WHERE name = ?", index)
    change(statement)
    change("INSERT INTO sqlite_schema VALUES (?, ?, ?, ?, ?)", *row)
    findings = shelf.json("catalogue", "check", code=1)["findings"]
    assert {finding["rule"] for finding in findings} == {"catalogue-is-whole"}
    assert index in findings[0]["message"]


def test_a_copy_is_kept_before_the_catalogue_becomes_one_of_a_later_version(
    tmp_path: Path,
) -> None:
    old = gzip.decompress((STORED / "version-1.sqlite.gz").read_bytes())
    place = tmp_path / "catalogue.sqlite"
    earlier = [f"catalogue.sqlite.version-1.2026010{day}T000000Z" for day in range(1, 6)]
    for name in (*earlier, "catalogue.sqlite.version-before-restore.20260101T000000Z", "notes"):
        (tmp_path / name).write_text("an earlier copy, or a file of somebody's")
    place.write_bytes(old)
    with open_catalogue(place) as opened:
        count = len(opened.images())
    names = {path.name for path in tmp_path.iterdir()}
    kept = {name for name in names if ".version-1." in name}
    assert len(kept) == MOST_KEPT
    assert set(earlier[-MOST_KEPT + 1 :]) < kept
    assert {"notes", "catalogue.sqlite.version-before-restore.20260101T000000Z"} < names
    (new,) = kept - set(earlier)
    with closing(sqlite3.connect(tmp_path / new)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (1,)
        assert db.execute("SELECT count(*) FROM images").fetchone() == (count,)
    with open_catalogue(place):
        pass  # nothing changes now
    assert {path.name for path in tmp_path.iterdir() if ".version-1." in path.name} == kept


def test_a_mistyped_catalogue_is_said_and_not_made(shelf: Shelf) -> None:
    typo = shelf.folder / "catalouge.sqlite"
    (shelf.folder / "catalogue.txt").write_bytes(b"another file of this name")
    for command in (("list",), ("shelf", "add", shelf.home), ("audit",)):
        said = shelf.run(*command, "--catalogue", typo, code=10).stderr
        assert "there is no such catalogue; did you mean 'catalogue.sqlite'?" in " ".join(
            said.split()
        )
        assert not typo.exists()
    typo.write_bytes(b"")  # meant as it is
    shelf.run("shelf", "add", shelf.home, "--catalogue", typo)
    assert "Nothing is on record" in shelf.run("list", "--catalogue", shelf.folder / "new").stdout
