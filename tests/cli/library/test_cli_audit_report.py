"""``mediashelf audit --report``, as a person runs it."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from made_library import DATE, overwrite, tide_image, write
from report_samples import MIB, Page


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    """One sound image and one of which a MiB decayed after it was recorded."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    shelf = Shelf.with_shelves(tmp_path, "home")
    write(shelf.home / "tide.iso", tide_image(mebibytes=4), DATE)
    write(shelf.home / "ebb.iso", tide_image(1), DATE)
    shelf.run("scan")
    overwrite(shelf.home / "tide.iso", 2 * MIB + 5, b"\x00\x01\x02\x03")
    return shelf


def test_the_page_says_what_the_screen_says(shelf: Shelf, tmp_path: Path) -> None:
    file = tmp_path / "audit.html"
    out = shelf.run("audit", "--report", file, code=1).stdout
    assert f"Report: {file}" in " ".join(out.split())
    page = Page(file.read_text("utf-8"))
    assert "1 of 2 images needs attention" in page.title
    assert "All shelves. 2026-09-21 14:13:20 UTC." in page.flat
    assert "home: tide.iso" in page.words
    assert "/FILLER.DAT" in page.words
    assert "all bytes of 2 compared with a digest on record" in page.words
    (size,) = {(shelf.home / "tide.iso").stat().st_size}
    wrong = [each for each in page.with_class("wrong") if each.get("height") == "20"]
    places = [float(each["x"].rstrip("%")) for each in wrong]
    assert places == [pytest.approx(100 * 2 * MIB / size, abs=0.001)]


def test_equal_audits_write_equal_pages_over_older_ones(shelf: Shelf, tmp_path: Path) -> None:
    file, other = tmp_path / "a.html", tmp_path / "b.HTM"
    shelf.run("audit", "home", "--report", file, code=1)
    first = file.read_bytes()
    shelf.run("audit", "home", "--report", file, code=1)
    shelf.run("audit", "home", "--report", other, "-q", code=1)
    assert file.read_bytes() == first == other.read_bytes()


def test_a_page_of_what_was_due_says_what_was_not(shelf: Shelf, tmp_path: Path) -> None:
    shelf.run("audit", code=1)
    shelf.run("audit", "--due", "1d", "--report", tmp_path / "due.html")
    page = Page((tmp_path / "due.html").read_text("utf-8"))
    assert "No image was audited" in page.title
    assert "Nothing is due: 1 image confirmed within 1 day" in page.flat
    assert "Known to be wrong or missing, not read again yet: 1 image (home: tide.iso)" in page.flat


def test_json_stays_json(shelf: Shelf, tmp_path: Path) -> None:
    document = shelf.json("audit", "--report", tmp_path / "a.html", code=1)
    assert document["counts"]["decayed"] == 1
    assert (tmp_path / "a.html").is_file()


def test_nothing_is_audited_for_a_report_that_cannot_be_written(
    shelf: Shelf, tmp_path: Path
) -> None:
    image = shelf.home / "ebb.iso"
    before = image.read_bytes()
    assert "does not end in .html" in shelf.run("audit", "--report", image, code=2).output
    assert image.read_bytes() == before
    nowhere = tmp_path / "nowhere" / "a.html"
    assert "make it first" in shelf.run("audit", "--report", nowhere, code=9).output


def test_a_library_without_images_has_a_page_too(tmp_path: Path) -> None:
    shelf = Shelf.with_shelves(tmp_path, "home")
    shelf.run("audit", "--report", tmp_path / "a.html")
    assert "No image was audited" in Page((tmp_path / "a.html").read_text("utf-8")).words
