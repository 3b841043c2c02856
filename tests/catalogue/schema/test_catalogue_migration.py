"""Catalogues of earlier versions become new ones with all that is in them."""

from __future__ import annotations

import gzip
import hashlib
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from mediashelf.catalogue import schema
from mediashelf.catalogue.bench.session_reading import sessions
from mediashelf.catalogue.history import history_of
from mediashelf.catalogue.store import open_catalogue

STORED = Path(__file__).parents[3] / "fixtures" / "catalogues"
VERSIONS = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]

OLD, MIDDLE, LATE = "2025-03-01T10:00:00Z", "2025-06-01T10:00:00Z", "2025-11-01T10:00:00Z"

# Derived from the rest by triggers, or tables that SQLite itself keeps for the index.
NOT_COMPARED = re.compile(r"name_(index|terms).*|sqlite_.*")


@pytest.fixture(params=VERSIONS)
def older(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    place = tmp_path / "catalogue.sqlite"
    place.write_bytes(gzip.decompress((STORED / f"version-{request.param}.sqlite.gz").read_bytes()))
    with closing(sqlite3.connect(place)) as db:
        assert schema.schema_version(db) == request.param
    return place


def contents(db: sqlite3.Connection) -> dict[str, tuple[list[str], list[tuple[Any, ...]]]]:
    """Every table with the names of its columns and all its rows."""
    names = [
        name
        for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        if not NOT_COMPARED.fullmatch(name)
    ]
    tables = {}
    for name in names:
        cursor = db.execute(f"SELECT * FROM {name}")
        columns = [column[0] for column in cursor.description]
        tables[name] = (columns, sorted(cursor.fetchall(), key=repr))
    return tables


def test_every_version_before_this_one_is_stored() -> None:
    assert len(schema.STEPS) - 1 == len(VERSIONS)
    assert {path.name for path in STORED.iterdir()} == {
        f"version-{number}.sqlite.gz" for number in VERSIONS
    }


def test_all_content_is_kept(older: Path) -> None:
    with closing(sqlite3.connect(older)) as db:
        before = contents(db)
    assert len(before["images"][1]) == 6
    assert len(before["entries"][1]) > 30
    with open_catalogue(older) as catalogue:
        after = contents(catalogue.db)
        assert catalogue.db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert catalogue.db.execute("PRAGMA foreign_key_check").fetchall() == []
    for name, (columns, rows) in before.items():
        new_columns, new_rows = after[name]
        assert new_columns[: len(columns)] == columns
        assert sorted((row[: len(columns)] for row in new_rows), key=repr) == rows, name


def test_what_was_known_of_the_past_begins_the_history(older: Path) -> None:
    with open_catalogue(older) as catalogue:
        history = {
            row.path: [
                (one.happened_at, one.event.value, one.seen_by)
                for one in history_of(catalogue.db, row.id)
            ]
            for row in catalogue.images()
        }
    recorded = (OLD, "recorded", "scan")
    assert history == {
        "tide.iso": [recorded, (MIDDLE, "changed", "scan"), (LATE, "confirmed", "audit")],
        "ebb.iso": [recorded, (LATE, "decayed", "audit")],
        "cut.iso": [recorded, (LATE, "truncated", "audit")],
        "gone.iso": [recorded],
        "sheet.cue": [recorded, (LATE, "confirmed", "audit")],
        "na\udcefve\n.iso": [recorded, (LATE, "confirmed", "audit")],
    }


def test_notes_of_version_3_are_read_without_values(tmp_path: Path) -> None:
    place = tmp_path / "catalogue.sqlite"
    place.write_bytes(gzip.decompress((STORED / "version-3.sqlite.gz").read_bytes()))
    with open_catalogue(place) as catalogue:
        (session,) = sessions(catalogue)
        (disc,) = session.steps
        (note,) = disc.notes
    assert (note.system, note.text, note.measured) == ("dos", "no sound", ())
    assert disc.word == "failed"


def test_it_is_as_good_as_a_new_one(older: Path, tmp_path: Path) -> None:
    with open_catalogue(older) as catalogue:
        migrated = shape(catalogue.db)
        assert [hit.path for hit in catalogue.find("lkvx3").hits]
        ((ebb,),) = catalogue.iter_images(label="ebb")
        assert (ebb.state, ebb.shelf) == ("decayed", "home")
    with open_catalogue(tmp_path / "new.sqlite", create=True) as catalogue:
        assert shape(catalogue.db) == migrated


def shape(db: sqlite3.Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Tables with their columns, and indexes."""
    names = [name for (name,) in db.execute("SELECT name FROM sqlite_schema ORDER BY name")]
    return {name: db.execute(f"PRAGMA table_info('{name}')").fetchall() for name in names}


def interruptions(place: Path) -> Iterator[int]:
    """Begin to bring a copy up to date, and break off after 1, 2, 4 … instructions."""
    count = 1
    while True:
        with closing(sqlite3.connect(place, isolation_level=None)) as db:
            db.set_progress_handler(lambda: 1, count)
            try:
                schema.migrate(db)
            except sqlite3.OperationalError as error:
                assert "interrupted" in str(error)
            else:
                return
            db.set_progress_handler(None, 0)
            yield schema.schema_version(db)
        count *= 2


def test_broken_off_anywhere_it_is_the_older_one_and_whole(older: Path) -> None:
    with closing(sqlite3.connect(older)) as db:
        first, names = schema.schema_version(db), set(contents(db))
    seen = []
    for version in interruptions(older):
        seen.append(version)
        with closing(sqlite3.connect(older)) as db:
            assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            if version == first:
                assert set(contents(db)) == names
    assert len(seen) > 5
    assert set(seen) <= set(range(first, len(schema.STEPS)))
    with open_catalogue(older) as catalogue:
        assert len(history_of(catalogue.db, next(catalogue.iter_images(label="ebb"))[0].id)) == 2


FROZEN = {
    1: "4b9bd3211311c0b0",
    2: "587214a07e1a0514",
    3: "d6e1398b295cb6c3",
    4: "8b8ce45b956f09ea",
    5: "3ee122d3e9f7b14d",
}


@pytest.mark.parametrize("number", FROZEN)
def test_steps_that_were_published_never_change(number: int) -> None:
    """A new step is added at the end; a change to one of these would leave two kinds of files."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        schema.migrate(db, schema.STEPS[:number])
        made = [
            row
            for row in db.execute("SELECT name, sql FROM sqlite_schema ORDER BY name")
            if not NOT_COMPARED.fullmatch(row[0])
        ]
    assert hashlib.sha256(repr(made).encode()).hexdigest()[:16] == FROZEN[number]
