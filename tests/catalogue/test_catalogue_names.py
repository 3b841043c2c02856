"""The index of names is written when a transaction ends, and only with what it keeps."""

from __future__ import annotations

from pathlib import Path

import pytest

from made_library import open_library
from mediashelf.catalogue.records.listed_entries import ListedEntries, ListedEntry
from mediashelf.catalogue.records.name_index import forget_unused_names, record_names
from mediashelf.catalogue.scanning.record import record_new
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.integrity.fixity.digests import Digests

NOW = "2026-01-01T00:00:00Z"


def record(catalogue: Catalogue, path: str, name: str) -> None:
    listing = ListedEntries.of([ListedEntry("", name, 7, 2)])
    reading = Reading(1, 1, digests=Digests(1, {"xxh3_128": path}), listing=listing)
    record_new(catalogue.db, RecordPlace(1, path, "device 1"), reading, NOW)


def indexed(catalogue: Catalogue) -> dict[str, int]:
    """Trigrams with the number of names that have them; the index is found sound."""
    catalogue.db.execute("INSERT INTO name_index (name_index) VALUES ('integrity-check')")
    return dict(catalogue.db.execute("SELECT term, doc FROM name_terms").fetchall())


def test_names_of_several_images_are_indexed_once_each(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        with transaction(library.catalogue.db):
            record(library.catalogue, "a.iso", "LKVX.INF")
            record(library.catalogue, "b.iso", "lkvx.inf")
            record(library.catalogue, "c.iso", "LKVX.INF")
        with transaction(library.catalogue.db):
            record(library.catalogue, "d.iso", "QUILLON.SYS")
        assert indexed(library.catalogue)["lkv"] == 2
        assert indexed(library.catalogue)["qui"] == 1
        assert len(library.catalogue.find("lkvx").hits) == 3
        assert len(library.catalogue.find("quillon").hits) == 1


def test_what_was_undone_is_not_indexed_later(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        with pytest.raises(ZeroDivisionError), transaction(library.catalogue.db):
            record(library.catalogue, "a.iso", "UNDONE.INF")
            raise ZeroDivisionError
        with transaction(library.catalogue.db):
            record(library.catalogue, "b.iso", "KEPT.INF")
        assert indexed(library.catalogue).keys() >= {"kep"}
        assert "und" not in indexed(library.catalogue)
        assert len(library.catalogue.find("inf").hits) == 1


def test_a_name_that_comes_and_goes_leaves_nothing(tmp_path: Path) -> None:
    with open_library(tmp_path) as library:
        db = library.catalogue.db
        with transaction(db):
            ids = record_names(db, ["PASSING.TXT", "OTHER.TXT"])
            forget_unused_names(db, [(ids["PASSING.TXT"],)])
            record_names(db, ["THIRD.TXT"])
        counts = indexed(library.catalogue)
        assert "pas" not in counts
        assert counts["oth"] == counts["thi"] == 1
        assert counts["txt"] == 2
