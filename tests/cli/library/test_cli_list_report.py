"""``mediashelf list --report``, as a person runs it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from made_library import DATE, tide_image, write
from report_samples import Page


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    shelf = Shelf.with_shelves(tmp_path, "home")
    write(shelf.home / "tide.iso", tide_image(mebibytes=1), DATE)
    write(shelf.home / "old" / "tide.iso", tide_image(mebibytes=1), DATE)
    write(shelf.home / "ebb.iso", tide_image(1, label="EBB", mebibytes=1), DATE)
    write(shelf.home / "small.iso", tide_image(2), DATE)
    shelf.run("scan")
    return shelf


def data_of(file: Path) -> Any:
    (data,) = re.findall(r'id="library-data">([^<]*)</script>', file.read_text("utf-8"))
    return json.loads(data)


def test_the_page_has_what_the_list_has(shelf: Shelf, tmp_path: Path) -> None:
    file = tmp_path / "library.html"
    result = shelf.run("list", "--report", file)
    assert f"Report: {file}" in result.stderr
    page = Page(file.read_text("utf-8"))
    assert page.title == "Library: 4 images"
    assert "2026-09-21 14:13:20 UTC" in page.flat
    data = data_of(file)
    images = [dict(zip(data["fields"], each, strict=False)) for each in data["images"]]
    assert [image["path"] for image in images] == [
        *("ebb.iso", "old/tide.iso", "small.iso", "tide.iso"),
    ]
    # The same answer as `list -t`: who reads a disc is asked in one place.
    for bit, (name, _) in enumerate(data["systems"]):
        listed = {each["path"] for each in shelf.json("list", "-t", name)["images"]}
        assert listed == {image["path"] for image in images if image["systems"] >> bit & 1}
    assert images[0]["copies"] == 0
    assert images[1]["copies"] == images[3]["copies"] > 0
    assert images[0]["systems"] > 0
    # Fewer than 300 sectors: the emulator serves no such disc, so that nobody reads it.
    assert images[2]["systems"] == 0
    before = file.read_bytes()
    shelf.run("list", "--report", file, "-q")
    assert file.read_bytes() == before


def test_a_page_of_a_part_says_of_which(shelf: Shelf, tmp_path: Path) -> None:
    file = tmp_path / "library.html"
    shelf.run("list", "--label", "ebb", "-t", "nt5", "--report", file)
    page = Page(file.read_text("utf-8"))
    assert page.title == "Library: 1 image"
    assert "Only label ebb; read by nt5. 1 image" in page.flat


def test_names_of_files_inside_come_on_demand(shelf: Shelf, tmp_path: Path) -> None:
    file = tmp_path / "library.html"
    shelf.run("list", "--report", file)
    assert data_of(file)["names"] is None
    shelf.run("list", "--report", file, "--with-files")
    names = data_of(file)["names"]
    (ebb,) = shelf.json("list", "--label", "ebb")["images"]
    assert names == {"images": 4, "entries": 3 * ebb["entry_count"] - 1, "left_out": 0}
    out = shelf.run("list", "--with-files", code=2).output
    assert "--with-files is for the page of --report" in out


def test_json_stays_json_and_other_names_are_refused(shelf: Shelf, tmp_path: Path) -> None:
    document = shelf.json("list", "--report", tmp_path / "a.html")
    assert len(document["images"]) == 4
    assert (tmp_path / "a.html").is_file()
    image = shelf.home / "ebb.iso"
    before = image.read_bytes()
    assert "does not end in .html" in shelf.run("list", "--report", image, code=2).output
    assert image.read_bytes() == before


def test_answers_are_remembered_for_every_system_at_once(shelf: Shelf, tmp_path: Path) -> None:
    from mediashelf.catalogue.readable import iter_reading
    from mediashelf.catalogue.store import open_catalogue
    from mediashelf.readability.targets import load_targets

    shelf.run("list", "--report", tmp_path / "a.html")
    targets = list(load_targets(None).values())
    with open_catalogue(shelf.catalogue) as catalogue:
        (count,) = catalogue.db.execute("SELECT count(*) FROM target_verdicts").fetchone()
        assert count == 4 * len(targets)
        catalogue.db.execute("UPDATE target_verdicts SET severity = 30 WHERE target = 'dos'")
        read = list(iter_reading(catalogue, catalogue.images(), targets))
    assert [answers and answers[0] for _, answers in read] == [False] * 4
