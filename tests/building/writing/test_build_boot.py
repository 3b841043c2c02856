"""Discs that boot: the boot record, the catalog, and what it points to."""

from __future__ import annotations

import hashlib
import random
import struct
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import DiscPlan, plan_disc
from mediashelf.building.recipes.recipe import BootImage
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.demo.floppy import make_boot_floppy
from mediashelf.errors import BuildError, InputError, RecipeError
from mediashelf.image import open_image
from outside_readers import libarchive_tree, pycdlib_tree


def built(tmp_path: Path, boot: BootImage, extra: dict[str, bytes] | None = None) -> DiscPlan:
    top = write_tree(tmp_path / "top", {"FILE.TXT": b"file"} | (extra or {}))
    plan = plan_disc(recipe_from_folders([top], boot=boot))
    build_disc(plan, tmp_path / "disc.iso")
    return plan


# El Torito 1.0, figure 3: media types 1, 2, 3; sizes as pycdlib's eltorito.py has them
# (2400, 2880, 5760 sectors of 512 bytes).
@pytest.mark.parametrize(("size", "media_type"), [(1_228_800, 1), (1_474_560, 2), (2_949_120, 3)])
def test_floppy_images_are_emulated(tmp_path: Path, size: int, media_type: int) -> None:
    image = tmp_path / "boot.img"
    image.write_bytes(random.Random(size).randbytes(size))
    plan = built(tmp_path, BootImage(image))
    data = (tmp_path / "disc.iso").read_bytes()

    # El Torito 1.0, 2.0 and figure 7: sector 17, the catalog's place at byte 47 (hexadecimal).
    record = data[17 * 2048 : 18 * 2048]
    assert record[:39] == b"\0CD001\x01" + b"EL TORITO SPECIFICATION".ljust(32, b"\0")
    catalog = data[struct.unpack("<I", record[0x47:0x4B])[0] * 2048 :][:2048]
    # Figure 2: all words of the validation entry add up to zero; an empty text for 80x86
    # makes the checksum AA 55 (computed).
    assert catalog[:32] == b"\x01" + bytes(27) + b"\xaa\x55\x55\xaa"
    assert sum(struct.unpack("<16H", catalog[:32])) & 0xFFFF == 0
    # Figure 3; EDD-4 working draft, table 17: one sector for a floppy.
    lba = struct.unpack("<I", catalog[40:44])[0]
    assert catalog[32:40] == struct.pack("<BBHBBH", 0x88, media_type, 0, 0, 0, 1)
    assert not any(catalog[44:])
    assert data[lba * 2048 : lba * 2048 + size] == image.read_bytes()

    assert plan.facts.boot is not None
    with open_image(tmp_path / "disc.iso") as opened:
        assert opened.facts.boot == plan.facts.boot
        assert opened.findings == ()
    names = {"/FILE.TXT", "/INDEX.TXT", "/BOOT.IMG", "/BOOT.CAT"}
    assert set(pycdlib_tree(tmp_path / "disc.iso", joliet=False)) == names
    assert set(libarchive_tree(tmp_path / "disc.iso", joliet=True)) == names


@pytest.mark.parametrize(("wanted", "expected"), [(None, 4), (27, 27)])
def test_other_images_boot_without_emulation(
    tmp_path: Path, wanted: int | None, expected: int
) -> None:
    image = tmp_path / "loader.bin"
    image.write_bytes(b"loader" * 3000)
    plan = built(tmp_path, BootImage(image, wanted))
    assert plan.facts.boot is not None
    entry = plan.facts.boot.entries[0]
    assert (entry.media_type, entry.sector_count, entry.load_segment) == (0, expected, 0)
    assert entry.image_size == expected * 512
    data = (tmp_path / "disc.iso").read_bytes()
    assert data[entry.load_lba * 2048 :].startswith(b"loader" * 3000)


def test_pycdlib_reads_the_catalog(tmp_path: Path) -> None:
    pycdlib = pytest.importorskip("pycdlib")
    image = tmp_path / "boot.img"
    image.write_bytes(make_boot_floppy("Example."))
    plan = built(tmp_path, BootImage(image))
    iso = pycdlib.PyCdlib()
    iso.open(str(tmp_path / "disc.iso"))
    with closing(iso):
        entry = iso.eltorito_boot_catalog.initial_entry
        assert plan.facts.boot is not None
        assert entry.get_rba() == plan.facts.boot.entries[0].load_lba
        assert (entry.boot_media_type, entry.sector_count, entry.boot_indicator) == (2, 1, 0x88)


def test_the_boot_image_shares_the_place_of_an_equal_file(tmp_path: Path) -> None:
    data = make_boot_floppy("Example.")
    image = tmp_path / "boot.img"
    image.write_bytes(data)
    plan = built(tmp_path, BootImage(image), {"IMAGES/BOOT.IMG": data})
    assert sum(content.size == len(data) for content in plan.layout.contents) == 1
    with open_image(tmp_path / "disc.iso") as opened:
        boot = opened.facts.boot
        assert boot is not None
        listed = next(e for e in opened.facts.volumes[0].entries if e.name == "BOOT.IMG")
        assert listed.extents[0].lba == boot.entries[0].load_lba


def test_the_names_of_what_boots_give_way(tmp_path: Path) -> None:
    image = tmp_path / "loader.bin"
    image.write_bytes(b"loader" * 400)
    mine = {"boot.img": b"mine", "BOOT.CAT": b"mine, too"}
    plan = built(tmp_path, BootImage(image), mine)
    short = {file.long_path: file.short_path for file in plan.files}
    assert short["/boot.img"] == "/BOOT.IMG"
    assert short["/BOOT_2.IMG"] == "/BOOT_2.IMG"
    assert short["/BOOT_2.CAT"] == "/BOOT_2.CAT"
    tree = libarchive_tree(tmp_path / "disc.iso", joliet=False)
    assert tree["/BOOT_2.IMG"] == hashlib.sha256(image.read_bytes()).hexdigest()


@pytest.mark.parametrize("misbehave", [Path.unlink, lambda path: path.write_bytes(b"other")])
def test_a_boot_image_that_changed_since_the_plan_ends_the_build(
    tmp_path: Path, misbehave: Callable[[Path], object]
) -> None:
    image = tmp_path / "loader.bin"
    image.write_bytes(b"loader")
    top = write_tree(tmp_path / "top", {"FILE.TXT": b"file"})
    plan = plan_disc(recipe_from_folders([top], boot=BootImage(image)))
    misbehave(image)
    with pytest.raises(BuildError, match="build again"):
        build_disc(plan, tmp_path / "disc.iso")
    assert not (tmp_path / "disc.iso").exists()


def test_a_load_that_goes_beyond_the_image_is_told(tmp_path: Path) -> None:
    image = tmp_path / "loader.bin"
    image.write_bytes(b"x" * 513)
    plan = built(tmp_path, BootImage(image))
    assert "boot-image-short" in [finding.rule for finding in plan.findings]
    exact = built(tmp_path, BootImage(image, 2))
    assert "boot-image-short" not in [finding.rule for finding in exact.findings]


def test_boot_images_that_cannot_be(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"FILE.TXT": b"file"})
    (tmp_path / "empty").write_bytes(b"")
    floppy = tmp_path / "floppy.img"
    floppy.write_bytes(bytes(1_474_560))
    for path in (tmp_path / "missing", tmp_path / "empty", top):
        with pytest.raises(InputError, match="boot image"):
            plan_disc(recipe_from_folders([top], boot=BootImage(path)))
    with pytest.raises(RecipeError, match="only for images without emulation"):
        plan_disc(recipe_from_folders([top], boot=BootImage(floppy, 4)))
