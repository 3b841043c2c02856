"""``mediashelf build --report``, as a person runs it."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from report_samples import Page


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    for name, size in (("Larkspur video.vxd", 60_000), ("README.TXT", 40), ("Sub/ReadMe.txt", 9)):
        file = tmp_path / "drivers" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x" * size)
    return Shelf(tmp_path)


def build(shelf: Shelf, *arguments: str | Path, code: int = 0) -> Page:
    file = shelf.folder / "page.html"
    shelf.run("build", shelf.folder / "drivers", *arguments, "--report", file, code=code)
    return Page(file.read_text("utf-8"))


def test_the_page_of_a_built_disc(shelf: Shelf) -> None:
    page = build(
        shelf,
        "-o",
        shelf.folder / "disc.iso",
        "--label",
        "KIOSK",
        "-t",
        "dos",
        "--capacity",
        "74min",
    )
    assert page.title == "Disc: KIOSK"
    assert "built; read back, 4 files equal to the sources" in page.words
    assert "74min, asked for" in page.words
    assert "For dosreads it" in page.flat
    assert "1 renamed file" in page.words
    assert "/Larkspur video.vxd" in page.words
    assert "long-name-seen" in page.words
    shown = build(shelf, "-o", shelf.folder / "disc.iso", "--replace", "-q").flat
    assert "4 files" in shown


def test_the_page_of_a_plan_and_of_a_refusal(shelf: Shelf) -> None:
    assert "planned; nothing was written" in build(shelf, "--dry-run").words
    refused = build(shelf, "-o", shelf.folder / "d.iso", "--capacity", "20 sectors", code=12)
    assert "planned; nothing was written because of errors" in refused.words
    assert "too much" in refused.words
    assert not (shelf.folder / "d.iso").exists()


def test_a_built_disc_and_its_image_have_the_same_drawing(shelf: Shelf) -> None:
    image, file = shelf.folder / "disc.iso", shelf.folder / "image.html"
    planned = build(shelf, "-o", image)
    shelf.run("show", image, "--report", file)
    shown = Page(file.read_text("utf-8"))
    for name in ("file", "folder"):
        areas = [
            [
                (each["x"], each["y"], each["width"], each["height"])
                for each in page.with_class("area", name)
                if "y" in each
            ]
            for page in (planned, shown)
        ]
        assert areas[0] == areas[1]
        assert areas[0]


def test_each_disc_of_a_series_has_a_page_with_what_is_about_it(shelf: Shelf) -> None:
    (shelf.folder / "machine.txt").write_text("PCI\\VEN_F2C4&DEV_0301\n")
    for name in ("one", "two"):
        file = shelf.folder / "drivers" / name / f"{name} with a long name.bin"
        file.parent.mkdir()
        file.write_bytes(name.encode() * 100_000)
    recipe = shelf.folder / "disc.toml"
    recipe.write_text(
        'label = "PAIR"\ntargets = ["win9x", "dos"]\nmachine = "machine.txt"\n'
        '[[folder]]\nfrom = "drivers"\n'
    )
    file = shelf.folder / "page.html"
    options = ("--spread", "--capacity", "250 sectors", "--dry-run", "--report", file)
    shelf.run("build", recipe, *options, code=1)
    pages = [Page((shelf.folder / f"page-{number}.html").read_text("utf-8")) for number in (1, 2)]
    assert not file.exists()
    for page in pages:
        assert "Drivers for win9x on all discs: 0 of 1 device" in page.flat
        assert "device-without-driver" in page.words
        assert "disc 1" not in page.words
        assert "disc 2" not in page.words
    on_first = "one with a long name.bin" in pages[0].words
    assert on_first != ("one with a long name.bin" in pages[1].words)
    assert on_first == ("two with a long name.bin" in pages[1].words)
