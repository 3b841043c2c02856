"""``mediashelf show --report``, as a person runs it."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli_runs import Shelf
from make_image import cut, make_iso
from mediashelf.text import size_text
from report_samples import Page

INF = b"""[Version]
Signature="$CHICAGO$"
Class=Display
Provider=Larkspur
[Manufacturer]
Larkspur=Models
[Models]
"Larkspur Video 3"=Install,PCI\\VEN_F2C4&DEV_0301
[Install]
CopyFiles=Files
[Files]
LKVX3.VXD
[SourceDisksNames]
1=Disk
[SourceDisksFiles]
LKVX3.VXD=1
"""
FILES = {"VIDEO/LKVX3.INF": INF, "VIDEO/LKVX3.VXD": b"driver" * 9000, "README.TXT": b"read me"}
MACHINE = "PCI\\VEN_F2C4&DEV_0301\nPCI\\VEN_F3D7&DEV_1600\n"


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    (tmp_path / "disc.iso").write_bytes(make_iso(FILES, joliet=3, label="KIOSK").data)
    (tmp_path / "machine.txt").write_text(MACHINE)
    return Shelf(tmp_path)


def page_of(shelf: Shelf, *arguments: str | Path, code: int = 0) -> Page:
    file = shelf.folder / "page.html"
    shelf.run("show", *arguments, "--report", file, code=code)
    return Page(file.read_text("utf-8"))


def test_the_page_shows_what_is_on_the_disc(shelf: Shelf) -> None:
    image = shelf.folder / "disc.iso"
    page = page_of(shelf, image)
    assert page.title == "Disc: KIOSK"
    contents = size_text(sum(map(len, FILES.values())))
    assert f"3 files, {contents} of contents" in page.words
    assert "/VIDEO/LKVX3.VXD" in page.words
    assert "74min" in page.words
    assert "structures read; overlaps not checked, contents of files not read" in page.words
    first = (shelf.folder / "page.html").read_bytes()
    page_of(shelf, image, "-q")
    assert (shelf.folder / "page.html").read_bytes() == first


def test_targets_and_a_machine_are_answered_on_the_page(shelf: Shelf) -> None:
    page = page_of(
        shelf, shelf.folder / "disc.iso", "-t", "win9x", "-m", shelf.folder / "machine.txt"
    )
    assert "Drivers for win9x: 1 of 2 devices" in page.flat
    assert "/VIDEO/LKVX3.INF" in page.words
    assert "reads it; 1 of 2 devices covered, 1 without a driver" in page.flat
    assert "device-without-driver" in page.words
    assert "driver texts read" in page.words


TREES = """
[limits.trees]
value = ["joliet", "iso9660"]
source = "tried"
"""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('based_on = "win9x"\n', "Drivers for own: 1 of 2 devices"),
        (f'title = "A system of our own"\n{TREES}', "no driver family is known for target 'own'"),
    ],
)
def test_a_target_of_the_users_looks_for_drivers_by_the_family_in_its_file(
    shelf: Shelf, text: str, words: str
) -> None:
    (shelf.folder / "own.toml").write_text(text)
    own = ["-t", "own", "--targets-folder", shelf.folder]
    page = page_of(shelf, shelf.folder / "disc.iso", *own, "-m", shelf.folder / "machine.txt")
    assert words in page.flat


def test_findings_of_the_image_are_on_the_page(shelf: Shelf) -> None:
    damaged = shelf.folder / "cut.iso"
    data = (shelf.folder / "disc.iso").read_bytes()
    damaged.write_bytes(cut(data, len(data) - 40_000))
    page = page_of(shelf, damaged, code=1)
    assert "image-is-whole" in page.words
    assert [each for each in page.with_class("area", "error", "file") if "height" in each]


def test_what_is_no_disc_has_a_page_that_says_so(shelf: Shelf) -> None:
    nothing = shelf.folder / "notes.txt"
    nothing.write_bytes(b"no disc")
    assert "no-volume" in page_of(shelf, nothing, code=1).words


@pytest.mark.parametrize(
    "arguments",
    [("-t", "dos"), ("-m", "machine.txt"), ("--report", "x.html", "-m", "machine.txt")],
)
def test_what_makes_no_sense_together_is_wrong_usage(
    shelf: Shelf, arguments: tuple[str, ...]
) -> None:
    shelf.run("show", shelf.folder / "disc.iso", *arguments, code=2)
    assert not Path("x.html").exists()
