"""What ``mediashelf session`` prints, keeps and writes: JSON, pages, narrow terminals, any text."""

from __future__ import annotations

import json
import re

import pytest

from cli_runs import Shelf
from mediashelf.catalogue.schema import STEPS
from mediashelf.catalogue.store import open_catalogue
from mediashelf.errors import CatalogueError
from mediashelf.text import display_width
from session_bench import SYSTEM_DISC, Bench
from session_notes import note, outcomes


def test_json_shapes(shelf: Shelf) -> None:
    document = shelf.json("session", "note", "1", "w", "fine")
    assert (document["command"], document["version"]) == ("session note", 1)
    assert (document["disc"], document["next"]) == (1, 2)
    assert set(document["note"]) == {
        "outcome",
        "system",
        "device",
        "text",
        "noted_at",
        "holds",
        "values",
    }
    session = document["session"]
    assert set(session) == {
        *("number", "name", "machine", "card", "made_at", "begun_at", "prepared_at"),
        *("discs", "former"),
    }
    assert set(session["discs"][0]) == {
        *("position", "code", "label", "path", "purpose", "targets", "size", "digests"),
        *("staged_at", "replaced_at", "outcome", "notes"),
    }
    report = shelf.json("session", "report")
    assert set(report) == {
        *("command", "version", "session", "headline", "systems", "rows", "measured")
    }
    assert set(report["rows"][0]["cells"][0]) == {"systems", "outcome", "text", "noted_at"}


def test_quiet(shelf: Shelf) -> None:
    assert shelf.run("session", "note", "1", "w", "-q").stdout == ""
    lines = shelf.run("session", "report", "-q").stdout.splitlines()
    assert lines[0].split() == ["what", "disc", "win9x"]
    assert len(lines) == 4
    assert shelf.run("session", "begin", "-q").stdout == ""


@pytest.mark.parametrize("width", [30, 40])
def test_a_narrow_terminal(shelf: Shelf, width: int) -> None:
    shelf.width = width
    long = "a long story about what the installer said " * 3
    texts = [
        note(shelf, "2", "f", "-d", "Larkspur video with a long name", long).stdout,
        shelf.run("session", "report").stdout,
        shelf.run("session", "list").stdout,
    ]
    assert max(display_width(line) for text in texts for line in text.splitlines()) <= width
    is_table = re.search(r"^Larkspur video w.*…  +2  failed$", texts[1], re.MULTILINE)
    assert bool(is_table) is (width == 40)


def test_a_note_is_no_book(shelf: Shelf) -> None:
    note(shelf, "1", "w", "x" * 4000)
    assert "shorten it" in note(shelf, "1", "w", "x" * 4001, code=2).stderr
    assert "shorten it" in note(shelf, "1", "w", "-d", "y" * 201, code=2).stderr


HOSTILE = "\x1b[2J<script>\u202e\udcff"


def test_hostile_notes(shelf: Shelf, bench: Bench) -> None:
    page = bench.folder / "report.html"
    note(shelf, "1", "w", HOSTILE, "-d", HOSTILE)
    texts = [
        note(shelf, "1", "f", HOSTILE).stdout,
        shelf.run("session", "report", "--html", page).stdout,
        shelf.run("show", "--history", "system.iso").stdout,
        page.read_text("utf-8"),
    ]
    for text in texts:
        assert "\x1b" not in text
        assert "\u202e" not in text
        assert "\\x1b[2J" in text
    assert "<script>" not in texts[3]
    (first, _) = shelf.json("session", "report")["session"]["discs"][0]["notes"]
    assert first["text"] == HOSTILE


def test_the_page_is_written_whole_and_names_no_folder(shelf: Shelf, bench: Bench) -> None:
    page = bench.folder / "kiosk.html"
    note(shelf, "1", "w", "fine")
    out = shelf.run("session", "report", "--html", page).stdout
    assert str(page) in out.replace("\n", "")
    text = page.read_text("utf-8")
    assert "fine" in text
    assert str(bench.folder) not in text
    document = shelf.run("session", "report", "--html", page, "--json").stdout
    assert json.loads(document)["command"] == "session report"
    shelf.run("session", "report", "--html", "kiosk.iso", code=2)
    shelf.run("session", "report", "--html", bench.folder / "none" / "x.html", code=9)


def test_two_notes_at_once_are_both_kept(shelf: Shelf) -> None:
    """A note waits for another run that writes, as a scan does."""
    with open_catalogue(shelf.catalogue) as catalogue:
        catalogue.db.execute("BEGIN IMMEDIATE")
        catalogue.db.execute(
            "INSERT INTO session_notes (disc_id, system, device, outcome, note, noted_at) "
            "VALUES (1, x'', x'', 'worked', x'', '2026-11-28T09:00:00Z')"
        )
        catalogue.db.execute("COMMIT")
    note(shelf, "1", "f")
    assert len(shelf.json("session", "report")["session"]["discs"][0]["notes"]) == 2


def test_a_read_only_catalogue_can_be_reported_from(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    note(shelf, "1", "w")
    with monkeypatch.context() as patched:
        patched.setattr("mediashelf.catalogue.opening._is_writable", lambda place: False)
        assert outcomes(shelf) == ["worked", "open", "open"]
        assert "cannot be written" in note(shelf, "2", "w", code=CatalogueError.exit_code).stderr
    assert outcomes(shelf) == ["worked", "open", "open"]


def test_a_plan_of_one_disc(bench: Bench) -> None:
    bench.write_plan(SYSTEM_DISC)
    shelf = Shelf(bench.folder)
    shelf.run("prepare", bench.plan, "--to", bench.card, "-q")
    note(shelf, "next", "ok")
    assert "1 disc worked." in shelf.run("session", "report").stdout


def test_preparing_makes_a_catalogue_of_the_newest_version(bench: Bench) -> None:
    shelf = Shelf(bench.folder)
    shelf.run("prepare", bench.plan, "--to", bench.card, "-q")
    with open_catalogue(shelf.catalogue) as catalogue:
        assert catalogue.db.execute("PRAGMA user_version").fetchone() == (len(STEPS),)
