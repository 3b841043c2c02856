"""A list of many images: it is read some at once, and says and holds what it did before."""

from __future__ import annotations

import os
import sqlite3
import tracemalloc
from contextlib import closing, redirect_stdout
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from make_image import make_iso
from mediashelf.catalogue.records import image_rows
from mediashelf.cli.main import main

FORMS = (
    (),
    ("--json",),
    ("--csv",),
    ("-q",),
    ("--columns", "image,digest,created"),
    ("--sort", "size", "--reverse"),
    ("--sort", "label", "--csv"),
    ("--findings",),
    ("--findings", "--json"),
    ("--duplicates",),
    ("--label", "cut"),
    ("--name", "*2.iso", "--json"),
    ("--tag", "kiosk"),
    ("--state", "recorded", "--kind", "joliet"),
    ("--shelf", "card", "--csv"),
    ("--target", "win9x", "--json"),
    ("--label", "nobody's"),
)


def read_in_parts(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    monkeypatch.setattr(image_rows, "_FEW", count, raising=False)
    monkeypatch.setattr(image_rows, "_AT_ONCE", count, raising=False)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home", "card")
    for number in range(5):
        write(made.home / f"tide{number}.iso", tide_image(number // 2), DATE)
    write(made.home / "cut2.iso", tide_image(7, label="CUT")[:-8192], DATE)
    write(tmp_path / "card" / "disc2.iso", make_iso({"A.TXT": b"a"}, label="KIOSK").data, DATE)
    write(tmp_path / "card" / "notes.cue", b'FILE "d.bin" BINARY\n', DATE)
    made.run("scan")
    for number in (1, 3):
        place = ("--set", f"Kiosk {number}/3")
        made.run("describe", f"tide{number}.iso", "--tag", "kiosk", *place)
    return made


@pytest.mark.parametrize("at_once", [1, 3])
@pytest.mark.parametrize("form", FORMS, ids=" ".join)
def test_in_parts_it_is_the_same_list(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, form: tuple[str, ...], at_once: int
) -> None:
    whole = shelf.run("list", *form).output
    read_in_parts(monkeypatch, at_once)
    assert shelf.run("list", *form).output == whole


def test_sets_that_lack_discs_are_told_after_all_parts(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_in_parts(monkeypatch, 2)
    assert shelf.json("list")["gaps"] == [{"name": "Kiosk", "size": 3, "missing": [2]}]
    assert "Kiosk: disc 2 of 3 not among these" in shelf.run("list").stdout


MANY = 1000


@pytest.mark.parametrize("form", [(), ("--json",), ("--csv",)], ids=" ".join)
def test_an_image_takes_less_than_a_kilobyte(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch, form: tuple[str, ...]
) -> None:
    read_in_parts(monkeypatch, 100)
    peaks = []
    for copies in (0, MANY, 3 * MANY):
        add_copies(shelf.catalogue, copies)
        peaks.append(peak_of(shelf, form))
    assert (peaks[2] - peaks[1]) / (2 * MANY) < 1000


def add_copies(catalogue: Path, count: int) -> None:
    """Record so many images like the first one, under other names and with other digests."""
    with closing(sqlite3.connect(catalogue)) as db, db:
        first = db.execute("SELECT image_id FROM volumes ORDER BY image_id").fetchone()[0]
        for table in ("images", "fixity", "volumes", "disc_summaries"):
            names = [column[1] for column in db.execute(f"PRAGMA table_info({table})")]
            key = "id" if table == "images" else "image_id"
            made = {
                key: "1000 + n",
                **({"id": "NULL"} if table == "fixity" else {}),
                "path": "CAST(printf('box/copy %05d of a disc.iso', n) AS BLOB)",
                "digest": "printf('%032x', n)",
            }
            columns = ", ".join(made.get(name, name) for name in names)
            db.execute(
                "WITH RECURSIVE numbers(n) AS (SELECT 1 UNION SELECT n + 1 FROM numbers "
                f"WHERE n < {count}) INSERT OR IGNORE INTO {table} "
                f"SELECT {columns} FROM {table}, numbers WHERE {key} = {first} AND n <= {count}"
            )


def peak_of(shelf: Shelf, form: tuple[str, ...]) -> int:
    words = ["list", *form, "--catalogue", str(shelf.catalogue)]
    with open(os.devnull, "w", encoding="utf-8") as nowhere, redirect_stdout(nowhere):  # noqa: PTH123
        tracemalloc.start()
        try:
            main.main(words, standalone_mode=False)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
