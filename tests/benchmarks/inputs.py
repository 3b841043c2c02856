"""The inputs of the table of speeds, each made once and kept.

Run by table.py in a process of its own, because the peak memory of what a process
starts is counted from its own size on. Usage: python tests/benchmarks/inputs.py NAME FOLDER COUNT
"""

from __future__ import annotations

import gzip
import random
import shutil
import sys
from io import BytesIO
from pathlib import Path

import pycdlib

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from build import make_tree
from find import fill
from make_image import make_iso
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import open_catalogue
from mediashelf.formats.raw.sectors import encode_mode_1

FOLDERS = 100


def many_small_files(folder: Path, count: int) -> None:
    make_tree(folder, files=count, total=6600 * count)


def large_files(folder: Path, count: int) -> None:
    make_tree(folder, files=count, total=130_000 * count)


def three_trees(folder: Path, count: int) -> None:
    """One disc of ``count`` files in ISO 9660, Rock Ridge and Joliet trees."""
    iso = pycdlib.PyCdlib()
    iso.new(interchange_level=1, joliet=3, rock_ridge="1.09", vol_ident="MANYFILES")
    for number in range(FOLDERS):
        name = f"folder number {number:07d}"
        iso.add_directory(f"/D{number:07d}", rr_name=name, joliet_path=f"/{name}")
    for number in range(count):
        folder_number = number * FOLDERS // count
        data, name = b"%d" % number, f"file number {number:07d}.txt"
        iso.add_fp(
            BytesIO(data),
            len(data),
            f"/D{folder_number:07d}/F{number:07d}.TXT;1",
            rr_name=name,
            joliet_path=f"/folder number {folder_number:07d}/{name}",
        )
    iso.write(str(folder / "disc.iso"))
    iso.close()


def large_images(folder: Path, count: int) -> None:
    """``count`` images of about 650 MB with few files each."""
    for number in range(count):
        tree = folder / "tree"
        tree.mkdir()
        dice = random.Random(number)
        for name in range(20):
            (tree / f"part {name}.bin").write_bytes(dice.randbytes(32_500_000))
        shelf = folder / "shelf"
        shelf.mkdir(exist_ok=True)
        build_disc(
            plan_disc(recipe_from_folders([tree], label=f"D{number}")), shelf / f"{number}.iso"
        )
        shutil.rmtree(tree)


def small_images(folder: Path, count: int) -> None:
    """``count`` images of about 70 kB with seven entries."""
    for number in range(count):
        box = folder / "shelf" / f"box {number // 100:03d}"
        box.mkdir(parents=True, exist_ok=True)
        files = {
            "README.TXT": b"tide table %d" % number,
            "DRIVERS/VIDEO/LKVX3.VXD": b"video driver %d" % number,
            "DRIVERS/VIDEO/LKVX.INF": b"[Version]\r\n",
            f"DRIVERS/SOUND/Q{number:06d}.SYS": b"sound driver",
        }
        make_iso(files, joliet=3, label=f"TIDE{number}").save(box / f"tide {number:05d}.iso")


def search_catalogue(folder: Path, count: int) -> None:
    """A catalogue of ``count`` images with 4,000 entries each."""
    with open_catalogue(folder / "catalogue.sqlite", create=True) as catalogue:
        add_shelf(catalogue, folder)
        fill(catalogue, count)


def raw_image(folder: Path, count: int) -> None:
    """``count`` raw sectors of mode 1 that hold a disc, with their sheet."""
    tree = folder / "tree"
    tree.mkdir()
    for number in range(10):
        data = random.Random(number).randbytes(max(count - 1000, 10) * 2048 // 10)
        (tree / f"part {number}.bin").write_bytes(data)
    disc = folder / "disc.iso"
    build_disc(plan_disc(recipe_from_folders([tree])), disc)
    shutil.rmtree(tree)
    with disc.open("rb") as source, (folder / "raw.bin").open("wb") as target:
        for lba, data in enumerate(iter(lambda: source.read(2048), b"")):
            target.write(encode_mode_1(data, lba))
    disc.unlink()
    sheet = 'FILE "raw.bin" BINARY\n  TRACK 01 MODE1/2352\n    INDEX 01 00:00:00\n'
    (folder / "raw.cue").write_text(sheet)


def drivers(folder: Path, count: int) -> None:
    """``count`` packages of two files; their INFs name 100 devices each."""
    for number in range(count):
        package = folder / f"Larkspur package {number % 50:02d}" / f"P{number:05d}"
        package.mkdir(parents=True)
        devices = [
            f"%Lkv{n}%=Install,PCI\\VEN_F2C4&DEV_{(number * 7 + n) % 65536:04X}&SUBSYS_{n:04X}F2C4"
            for n in range(100)
        ]
        lines = ["[Version]", 'Signature="$CHICAGO$"', "Class=Display"]
        lines += ["DriverVer=03/18/1999,4.10.3.204", "[Manufacturer]", "%Maker%=Models", "[Models]"]
        lines += [*devices, "[Install]", "CopyFiles=@lkv.sys", "[DestinationDirs]"]
        lines += ["DefaultDestDir=11", "[SourceDisksNames]", "1=disk", "[SourceDisksFiles]"]
        lines += ["lkv.sys=1", "[Strings]", 'Maker="Larkspur Video"']
        lines += [f'Lkv{n}="Larkspur Video {n}"' for n in range(100)]
        (package / "lkv.inf").write_text("\r\n".join(lines), newline="")
        (package / "lkv.sys").write_bytes(random.Random(number).randbytes(20_000))


def compressed_contents(folder: Path, count: int) -> None:
    """A disc of ``count`` gzip files that unpack to 10 MB each; they are in ``members`` as well."""
    members = folder / "members"
    members.mkdir()
    for number in range(count):
        dice = random.Random(number)
        words = [dice.randbytes(dice.randrange(3, 12)) for _ in range(5000)]
        text = b" ".join(dice.choices(words, k=10_000_000 // 9))
        (members / f"{number:03d}.gz").write_bytes(gzip.compress(text, 6, mtime=0))
    build_disc(plan_disc(recipe_from_folders([members])), folder / "disc.iso")


MAKERS = {
    maker.__name__.replace("_", "-"): maker
    for maker in (
        many_small_files,
        large_files,
        three_trees,
        large_images,
        small_images,
        search_catalogue,
        raw_image,
        drivers,
        compressed_contents,
    )
}

if __name__ == "__main__":
    MAKERS[sys.argv[1]](Path(sys.argv[2]), int(sys.argv[3]))
