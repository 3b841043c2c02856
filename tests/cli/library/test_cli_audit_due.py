"""``mediashelf audit --due``: as much as fits into a night, the most urgent first."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, overwrite, tide_image, write
from mediashelf.amounts import duration_text, parse_duration
from mediashelf.catalogue.store import open_catalogue

MIB = 1 << 20


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.with_shelves(tmp_path, "home")
    for number, name in enumerate(("new", "old", "oldest", "fresh")):
        write(made.home / f"{name}.iso", tide_image(number, mebibytes=1), DATE)
    made.run("scan")
    age(made, "new.iso", recorded=5)
    age(made, "old.iso", recorded=900, confirmed=200)
    age(made, "oldest.iso", recorded=900, confirmed=400)
    age(made, "fresh.iso", recorded=900, confirmed=10)
    return made


def age(shelf: Shelf, name: str, *, recorded: int, confirmed: int | None = None) -> None:
    """Let an image be recorded, and confirmed, so many days ago."""
    now = datetime.now(UTC)
    at = [
        (now - timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")
        for days in (recorded, recorded if confirmed is None else confirmed)
    ]
    with open_catalogue(shelf.catalogue) as catalogue:
        catalogue.db.execute(
            "UPDATE fixity SET recorded_at = ?, confirmed_at = ? WHERE image_id = "
            "(SELECT id FROM images WHERE path = ?)",
            [*at, name.encode()],
        )


def read(document: dict[str, list[dict[str, str]]]) -> list[str]:
    return [Path(image["file"]).name for image in document["images"]]


def test_what_is_due_is_read_in_the_order_of_need(shelf: Shelf) -> None:
    document = shelf.json("audit", "--due", "180d")
    assert read(document) == ["new.iso", "oldest.iso", "old.iso"]
    assert document["due"] == {
        "age": 180 * 86_400,
        "budget": None,
        "images": 3,
        "fresh": 1,
        "away": 0,
        "unrecorded": 0,
        "known_wrong": [],
        "left": [],
    }
    again = shelf.json("audit", "--due", "180d")
    assert (read(again), again["due"]["fresh"]) == ([], 4)
    assert (
        "Nothing is due: 4 images confirmed within 180 days."
        in shelf.run("audit", "--due", "180d").stdout
    )


def test_a_missing_image_is_due_however_lately_it_was_confirmed(shelf: Shelf) -> None:
    shelf.run("audit")
    (shelf.home / "oldest.iso").unlink()
    out = " ".join(shelf.run("audit", "--due", "180d", code=1).stdout.split())
    assert "1 of 4 images was due: not confirmed for 180 days, never, or missing now." in out


def test_a_budget_leaves_the_rest_for_the_next_time(shelf: Shelf) -> None:
    """Nothing fits into no time but the first image, so that every run gets further."""
    out = " ".join(shelf.run("audit", "--due", "180d", "--budget", "0s").stdout.split())
    assert "3 of 4 images were due: not confirmed for 180 days, or never." in out
    assert "Left for the next time, within 0 seconds: 2 images, 2.1 MiB; first" in out
    document = shelf.json("audit", "--due", "180d", "--budget", "0s")
    assert read(document) == ["oldest.iso"]
    (left,) = document["due"]["left"]
    assert (left["where"], left["size"]) == (
        "home: old.iso",
        (shelf.home / "old.iso").stat().st_size,
    )
    assert read(shelf.json("audit", "--due", "180d", "--budget", "1h")) == ["old.iso"]
    assert shelf.run("audit", "--due", "180d", "--budget", "1h", "-q").stdout == ""


def test_decay_is_told_once_and_then_known(shelf: Shelf) -> None:
    overwrite(shelf.home / "old.iso", MIB, b"rot")
    out = shelf.run("audit", "--due", "180d", code=1).stdout
    assert "decayed" in out
    out = shelf.run("audit", "--due", "180d").stdout
    assert "Known to be wrong or missing, not read again yet: 1 image (home: old.iso)." in (
        " ".join(out.split())
    )
    assert shelf.json("audit", "--due", "180d")["due"]["known_wrong"] == ["home: old.iso"]


def test_what_is_gone_is_told_once(shelf: Shelf) -> None:
    (shelf.home / "fresh.iso").unlink()
    assert "missing" in shelf.run("audit", "--due", "180d", code=1).stdout
    assert "home: fresh.iso" in shelf.run("audit", "--due", "180d").stdout


def test_what_is_not_on_record_waits_for_a_scan(shelf: Shelf) -> None:
    write(shelf.home / "another.iso", tide_image(9), DATE)
    document = shelf.json("audit", "--due", "180d")
    assert document["due"]["unrecorded"] == 1
    assert "another.iso" not in read(document)
    assert "Not on record: 1 image; mediashelf scan." in shelf.run("audit", "--due", "1w").stdout


def test_an_unplugged_shelf_is_only_counted(shelf: Shelf) -> None:
    shelf.home.rename(shelf.folder / "elsewhere")
    document = shelf.json("audit", "--due", "180d")
    assert (read(document), document["due"]["away"]) == ([], 4)
    assert "Away: 4 images, until plugged in." in shelf.run("audit", "--due", "180d").stdout


def test_names_and_other_options_go_with_it(shelf: Shelf) -> None:
    page = shelf.folder / "night.html"
    document = shelf.json(
        *("audit", "home", "--due", "180d", "--depth", "contents", "--report", page)
    )
    assert len(read(document)) == 3
    assert page.is_file()
    assert read(shelf.json("audit", shelf.home / "fresh.iso", "--due", "5d")) == ["fresh.iso"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--due", "180"], "'180' is not a span of time; write it like 180d"),
        (["--due", ""], "not a span of time"),
        (["--due", "-3d"], "not a span of time"),
        (["--due", "180d", "--budget", "half an hour"], "not a span of time"),
        (["--budget", "30m"], "--budget goes with --due"),
    ],
)
def test_usage(shelf: Shelf, words: list[str], told: str) -> None:
    assert told in shelf.run("audit", *words, code=2).stderr


def test_a_narrow_terminal(shelf: Shelf) -> None:
    shelf.width = 40
    overwrite(shelf.home / "oldest.iso", MIB, b"rot")
    for code in (0, 1, 0):
        out = shelf.run("audit", "--due", "180d", "--budget", "0s", code=code).stdout
        assert max(map(len, out.splitlines())) <= 40


@pytest.mark.parametrize(
    ("text", "seconds", "shown"),
    [
        ("180d", 180 * 86_400, "180 days"),
        ("30m", 1800, "30 minutes"),
        ("1h30m", 5400, "90 minutes"),
        ("1h", 3600, "1 hour"),
        ("36 h", 129_600, "36 hours"),
        ("2w", 14 * 86_400, "14 days"),
        ("1D 12H", 129_600, "36 hours"),
        ("1d", 86_400, "1 day"),
        ("90s", 90, "90 seconds"),
        ("0s", 0, "0 seconds"),
    ],
)
def test_spans_of_time(text: str, seconds: int, shown: str) -> None:
    assert parse_duration(text) == seconds
    assert duration_text(seconds) == shown


@pytest.mark.parametrize(
    "text", ["5", "d", "5y", "1.5h", "5d!", "1h 30", "٣d", "5d\n6", "9999999d"]
)
def test_what_is_no_span_of_time(text: str) -> None:
    with pytest.raises(ValueError, match="not a span of time"):
        parse_duration(text)
