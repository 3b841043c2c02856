"""Which images a system reads: list, its page and check of the shelf give one answer."""

from __future__ import annotations

import gzip
import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from cli_runs import Shelf
from image_udf import make_udf
from made_library import DATE, overwrite, tide_image, write
from make_image import Boot, cut, make_iso
from make_raw import mode_1_image
from mediashelf.sessions.emulator import MAX_SIZE

FILES = {"README.TXT": b"tide table\r\n"}
LARGE = {"KIOSK.BIN": b"k" * 700_000}
BLOCKS = (512, 1024, 2048, 4096)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path)
    made.home.mkdir()
    disc = make_iso(FILES, label="TIDE", joliet=3, pad_sectors=400).data
    for name in ("good.iso", "decayed.iso", "missing.iso"):
        write(made.home / name, disc + name.encode().ljust(2048), DATE)
    write(made.home / "small.iso", tide_image(), DATE)
    write(made.home / "raw.bin", mode_1_image(disc), DATE)
    write(made.home / "cut.iso", cut(disc, len(disc) // 2 // 2048 * 2048), DATE)
    write(made.home / "wrapped.iso.gz", gzip.compress(disc, mtime=0), DATE)
    write(made.home / "large.iso", disc, DATE)
    os.truncate(made.home / "large.iso", MAX_SIZE + 2048)
    for size in BLOCKS:
        write(made.home / f"udf-{size}.iso", make_udf(LARGE, size), DATE)
    made.run("shelf", "add", made.home)
    made.run("scan")
    overwrite(made.home / "decayed.iso", 40_000, b"!")
    (made.home / "missing.iso").unlink()
    made.run("audit", "decayed.iso", "missing.iso", code=1)
    return made


def listed(shelf: Shelf, target: str) -> set[str]:
    return {one["path"] for one in shelf.json("list", "-t", target)["images"]}


def checked(shelf: Shelf, target: str) -> set[str]:
    answer = shelf.json("check", "home:*", "-t", target, code=1)
    return {
        Path(one["input"]).name
        for one in answer["inputs"]
        if not any(finding["severity"] == "error" for finding in one["findings"])
    }


def page_data(shelf: Shelf) -> Any:
    page = shelf.folder / "library.html"
    shelf.run("list", "--report", page)
    found = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page.read_text())
    assert found is not None
    return json.loads(found.group(1))


def on_page(shelf: Shelf, target: str) -> set[str]:
    data = page_data(shelf)
    at, bit = data["fields"].index("systems"), [name for name, _ in data["systems"]].index(target)
    rows = [row + [0] * (at + 1 - len(row)) for row in data["images"]]
    return {row[0] for row in rows if row[at] > 0 and row[at] >> bit & 1}


@pytest.mark.parametrize("target", ["dos", "win9x", "nt5", "nt6"])
def test_three_doors_one_answer(shelf: Shelf, target: str) -> None:
    good = {"good.iso"}
    if target != "dos":
        # Nothing published says who reads blocks of other sizes, so it is a warning.
        good |= {f"udf-{size}.iso" for size in BLOCKS}
    assert listed(shelf, target) == good
    assert checked(shelf, target) == good
    assert on_page(shelf, target) == good


def test_what_is_no_disc_is_left_out_of_a_shelf_and_can_be_named(shelf: Shelf) -> None:
    said = shelf.run("check", "home:*", "-t", "nt6", code=1).stdout
    assert "1 floppy, archive or compressed; name an image itself to have it checked" in " ".join(
        said.split()
    )
    assert "a disc planned from" in " ".join(
        shelf.run("check", "home:wrapped.iso.gz").stdout.split()
    )


def test_the_page_says_what_list_says_of_a_disc(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    boot = make_iso(FILES, boot=Boot(b"\xfa\xf4"), label="START", joliet=3, pad_sectors=400)
    write(shelf.home / "start.iso", boot.data, DATE)
    shelf.run("shelf", "add", shelf.home)
    shelf.run("scan")
    (image,) = shelf.json("list")["images"]
    data = page_data(shelf)
    (row,) = (dict(zip(data["fields"], one, strict=False)) for one in data["images"])
    assert image["disc"]["boot"] == ["BIOS"]
    assert data["tables"]["boot"][row["boot"]] == "BIOS"
    assert data["tables"]["day"][row["created"]] == image["disc"]["created"][:10] != ""
