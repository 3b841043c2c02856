"""The story of a record: nothing that happens to a file replaces it behind its keeper's back."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, TICK, overwrite, tide_image, write
from mediashelf.errors import InputError, OutputError

MIB = 1 << 20
GOOD = tide_image(1, mebibytes=3)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    (tmp_path / "home").mkdir()
    made = Shelf(tmp_path)
    made.run("shelf", "add", made.home)
    write(made.home / "tide.iso", GOOD, DATE)
    write(made.folder / "good.iso", GOOD, DATE)
    made.run("scan")
    with closing(sqlite3.connect(made.catalogue)) as db, db:
        db.execute("UPDATE fixity SET recorded_at = '2025-03-01T10:00:00Z'")
    return made


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_story_of_a_record(shelf: Shelf) -> None:
    tide, good = shelf.home / "tide.iso", shelf.folder / "good.iso"
    overwrite(tide, 2 * MIB, b"rot")
    assert "home: tide.iso  decayed" in shelf.run("audit", code=1).stdout
    os.utime(tide, ns=(DATE + TICK, DATE + TICK))
    for _ in range(2):
        out = flat(shelf.run("scan", code=1).stdout)
        assert "waiting" in out
        assert "tide.iso: the bytes differ from the record of 2025-03-01, which is kept" in out
        assert "these bytes were found decayed on" in out
    listed = shelf.run("list").stdout
    assert "changed, waiting" in listed
    assert "sound" not in listed
    assert "1 changed, waiting: accept what is right with" in listed
    (image,) = shelf.json("list")["images"]
    assert image["waiting"]["judged"] == "decayed"
    assert "1 image: 1 changed and waiting." in shelf.run("audit", code=1).stdout
    mended = shelf.folder / "mended.iso"
    out = shelf.run("mend", tide, "--from", good, "-o", mended).stdout
    assert "proved by the digest on record" in flat(out)
    assert mended.read_bytes() == GOOD
    accepted = shelf.run("scan", "--accept", tide).stdout
    assert "home: 1 accepted\n  accepted: tide.iso" in accepted
    assert "sound" in shelf.run("audit").stdout
    out = shelf.run("mend", tide, "--from", good, "-n").stdout
    assert "Every byte is as recorded" in out
    mended.unlink()
    out = shelf.run("mend", tide, "--from", good, "--as-of", "2025-04-01", "-o", mended).stdout
    assert "by the record of home: tide.iso (2025-03-01)" in flat(out)
    assert mended.read_bytes() == GOOD
    history = shelf.run("show", "--history", tide).stdout
    assert "accepted (scan)" in history


def test_as_of_names_one_record(shelf: Shelf) -> None:
    tide = shelf.home / "tide.iso"
    write(tide, tide_image(2, mebibytes=3), DATE + TICK)
    shelf.run("scan", "--accept", tide)
    code = InputError.exit_code
    for moment, words in (
        ("2024-01-01", "nothing was on record then; its first record is of 2025-03-01T10:00:00Z"),
        ("last week", "is not a date such as 2026-11-25"),
    ):
        answer = shelf.run("mend", tide, "-n", "--as-of", moment, code=code)
        assert words in flat(answer.stderr)
    for moment in ("2025-03-01", "2025-03-01T10:00:00Z", "2025-03-01T11:00:00+01:00"):
        document = shelf.json("mend", tide, "-n", "--as-of", moment, code=1)
        assert document["proved_by"]["recorded_at"] == "2025-03-01T10:00:00Z"
    with closing(sqlite3.connect(shelf.catalogue)) as db, db:
        db.execute("UPDATE fixity SET recorded_at = '2025-06-01T10:00:00Z' WHERE id > 1")
        for table in ("fixity", "earlier_blocks"):
            db.execute(
                f"UPDATE {table} SET replaced_at = '2025-06-01T10:00:00Z' "
                "WHERE replaced_at IS NOT NULL"
            )
    answer = shelf.run("mend", tide, "-n", "--as-of", "2025-06-01", code=code)
    assert "2 records were in force on 2025-06-01" in flat(answer.stderr)
    document = shelf.json("mend", tide, "-n", "--as-of", "2025-06-01T10:00:00Z")
    assert document["outcome"] == "as-recorded"


def test_accept_needs_names(shelf: Shelf) -> None:
    assert "Name the images to accept" in shelf.run("scan", "--accept", code=2).stderr
    assert "Nothing was accepted." in shelf.run("scan", "--accept", "home").stdout
    assert shelf.json("scan", "--accept", "home")["images"] == []


def test_a_decayed_image_that_was_touched_can_be_mended_in_its_place(shelf: Shelf) -> None:
    tide, good = shelf.home / "tide.iso", shelf.folder / "good.iso"
    words = ("mend", tide, "--from", good, "-o", tide, "--replace")
    write(tide, GOOD[:-1] + b"x", DATE + TICK)  # written on purpose, as far as anybody can see
    told = shelf.run(*words, code=OutputError.exit_code).stderr
    assert "its date differs from the record" in flat(told)
    write(tide, GOOD, DATE)
    overwrite(tide, 2 * MIB, b"rot")
    shelf.run("audit", code=1)
    os.utime(tide, ns=(DATE + TICK, DATE + TICK))
    shelf.run("scan", code=1)
    out = shelf.run(*words).stdout
    assert "proved by the digest on record" in flat(out)
    assert tide.read_bytes() == GOOD
    assert "1 image: 1 sound" in flat(shelf.run("audit").stdout)
