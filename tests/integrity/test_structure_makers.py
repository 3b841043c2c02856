"""Sound discs by makers that are not ours, and by our own builder: nothing contradicts itself.

Sound by the word of the makers: own behaviour that none is doubted.
"""

from __future__ import annotations

import io
import random
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.demo.floppy import make_boot_floppy
from mediashelf.findings import Finding, Severity
from mediashelf.image import open_image
from mediashelf.integrity.structure.parts import check_structure

pycdlib = pytest.importorskip("pycdlib")

FILES = {"A": b"a" * 5000, "B": b"b" * 3000, "EMPTY": b"", "EMPTY2": b""}
CODE = b"\xeb\xfe" + b"\x90" * 2046
FLOPPY = make_boot_floppy("nothing here")

Names = Callable[[str], Mapping[str, str]]


def check(path: Path) -> list[Finding]:
    """What is wrong with the disc; notes of the reader on single fields left out."""
    with open_image(path) as image:
        found = [each for each in image.findings if each.severity > Severity.NOTE]
        return [*found, *check_structure(image)]


def only_iso(name: str) -> Mapping[str, str]:
    return {}


def joliet(name: str) -> Mapping[str, str]:
    return {"joliet_path": f"/{name.lower()} long"}


def rock_ridge(name: str) -> Mapping[str, str]:
    return {"rr_name": name.lower()}


def udf(name: str) -> Mapping[str, str]:
    return {"udf_path": f"/{name.lower()}"}


def every(name: str) -> Mapping[str, str]:
    return {**joliet(name), **rock_ridge(name), **udf(name)}


def add_files(iso: Any, names: Names, files: Mapping[str, bytes] = FILES) -> None:
    for name, data in files.items():
        iso.add_fp(io.BytesIO(data), len(data), f"/{name}.;1", **names(name))


def add_boot(iso: Any, names: Names, image: bytes, **options: str) -> None:
    """A boot image that is a file of the disc as well."""
    add_files(iso, names, {**FILES, "BOOT": image})
    iso.add_eltorito("/BOOT.;1", "/CATALOG.;1", **options)


def add_links(iso: Any) -> None:
    add_files(iso, joliet)
    iso.add_hard_link(iso_old_path="/A.;1", iso_new_path="/A2.;1")
    iso.add_hard_link(iso_old_path="/A.;1", joliet_new_path="/a second name")


def add_deep(iso: Any) -> None:
    path = ""
    for level in range(10):
        path += f"/D{level}"
        iso.add_directory(path, rr_name=f"d{level}")
    iso.add_fp(io.BytesIO(b"x" * 100), 100, f"{path}/F.;1", rr_name="f")


def add_many(iso: Any) -> None:
    for number in range(40):
        iso.add_directory(f"/DIR{number}", joliet_path=f"/directory {number}")
        files = {f"DIR{number}/F{count}": b"%d" % number * count for count in range(20)}
        names = [f"/directory {number}/file {count}" for count in range(20)]
        for (name, data), long_name in zip(files.items(), names, strict=True):
            iso.add_fp(io.BytesIO(data), len(data), f"/{name}.;1", joliet_path=long_name)


PYCDLIB = {
    "plain": ({}, lambda iso: add_files(iso, only_iso)),
    "joliet": ({"joliet": 3}, lambda iso: add_files(iso, joliet)),
    "rock ridge": ({"rock_ridge": "1.09"}, lambda iso: add_files(iso, rock_ridge)),
    "udf bridge": ({"udf": "2.60"}, lambda iso: add_files(iso, udf)),
    "all trees": (
        {"udf": "2.60", "joliet": 3, "rock_ridge": "1.09"},
        lambda iso: add_files(iso, every),
    ),
    "links": ({"joliet": 3}, add_links),
    "deep": ({"rock_ridge": "1.09"}, add_deep),
    "many": ({"joliet": 3}, add_many),
    "boot": ({}, lambda iso: add_boot(iso, only_iso, CODE)),
    "boot, file in both trees": (
        {"joliet": 3},
        lambda iso: add_boot(iso, joliet, FLOPPY, media_name="floppy"),
    ),
    "boot, udf bridge": ({"udf": "2.60"}, lambda iso: add_boot(iso, udf, CODE)),
    "extended attributes": ({"xa": True}, lambda iso: add_files(iso, only_iso)),
}


@pytest.mark.parametrize("name", PYCDLIB)
def test_discs_of_pycdlib(name: str, tmp_path: Path) -> None:
    options, fill = PYCDLIB[name]
    iso = pycdlib.PyCdlib()
    iso.new(**options)
    with closing(iso):
        fill(iso)
        iso.write(str(tmp_path / "disc.iso"))
    assert check(tmp_path / "disc.iso") == []


@pytest.mark.parametrize(
    "options",
    ["", "!joliet", "rockridge=strict", "iso-level=3", "zisofs"],
)
def test_discs_of_libarchive(options: str, tmp_path: Path) -> None:
    """With files that share their bytes, a deep tree, and names for every tree."""
    libarchive = pytest.importorskip("libarchive", exc_type=(ImportError, AttributeError, OSError))
    path = tmp_path / "disc.iso"
    with libarchive.file_writer(str(path), "iso9660", options=options) as archive:
        for number in range(50):
            data = b"%d" % number * number * 40
            archive.add_file_from_memory(f"folder {number % 5}/file {number}.txt", len(data), data)
        archive.add_file_from_memory("1/2/3/4/5/6/7/8/9/10/deep.txt", 4, b"deep")
        archive.add_file_from_memory("empty", 0, b"")
    # That files are compressed is no fault of the disc, and said once.
    told = ["rockridge-compressed"] if options == "zisofs" else []
    assert [finding.rule for finding in check(path)] == told


def test_discs_of_our_builder(tmp_path: Path) -> None:
    """Equal files share their bytes; a tree that is too deep is moved to /DEEP."""
    dice = random.Random(4)
    top = tmp_path / "top"
    files = {"a/b/c/d/e/f/g/h/deep.txt": b"deep", "same 1": b"same", "x/same 2": b"same", "e": b""}
    files |= {
        f"many/in {number % 7}/a longer name {number}.txt": dice.randbytes(dice.randrange(5000))
        for number in range(100)
    }
    for name, data in files.items():
        (top / name).parent.mkdir(parents=True, exist_ok=True)
        (top / name).write_bytes(data)
    build_disc(plan_disc(recipe_from_folders([top])), tmp_path / "disc.iso")
    assert check(tmp_path / "disc.iso") == []
