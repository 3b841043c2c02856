"""The index page on the disc."""

from __future__ import annotations

import hashlib
from pathlib import Path

from msgspec.structs import replace

from build_trees import write_tree
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

FILES = {
    "SETUP.EXE": b"setup",
    "Larkspur Video/Release notes for the video accelerator.txt": b"notes",
    "Larkspur Video/Πίνακας.txt": b"table",
    "Larkspur Video/" + "x" * 150 + ".sys": b"x",
    "on/the/way/EMPTY.TXT": b"",
    "a/b/c/d/e/f/deep/DEEP.TXT": b"deep",
    "nothing/": b"",
}

PAGE = """\
What is on Kiosk drivers

Files are listed under their folder: short name, size in bytes, and the first
16 digits of the SHA-256 digest. A long name that differs is on the next line,
after "="; letters outside ASCII are spelled in ASCII there.

Folders in \\DEEP are nested deeper than DOS can read. Their long names tell
where they belong.

\\
  SETUP.EXE                 5  {SETUP.EXE}

\\A\\B\\C\\D\\E\\F

\\DEEP\\DEEP
= \\a\\b\\c\\d\\e\\f\\deep
  DEEP.TXT                  4  {deep/DEEP.TXT}

\\LARKSPUR
= \\Larkspur Video
  PINAKAS.TXT               5  {Πίνακας.txt}
  = Pinakas.txt
  RELEASEN.TXT              5  {accelerator.txt}
  = Release notes for the video accelerator.txt
  XXXXXXXX.SYS              1  {xxx.sys}
  = xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx.sys

\\NOTHING

\\ON\\THE\\WAY
  EMPTY.TXT                 0  e3b0c44298fc1c14

6 files, 20 bytes.
"""


def page_on_disc(disc: Path) -> bytes:
    with open_image(disc) as image:
        volume = image.facts.volume(VolumeKind.ISO9660)
        assert volume is not None
        entry = next(entry for entry in volume.entries if entry.path == "/INDEX.TXT")
        return image.read_file(entry, 1 << 20)


def test_the_page_lists_short_and_long_names(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", FILES)
    build_disc(plan_disc(recipe_from_folders([top], label="Kiosk drivers")), tmp_path / "disc.iso")
    expected = PAGE
    for name, data in FILES.items():
        digest = hashlib.sha256(data).hexdigest()[:16]
        for place in ("SETUP.EXE", "deep/DEEP.TXT", "Πίνακας.txt", "accelerator.txt", "xxx.sys"):
            if name.endswith(place):
                expected = expected.replace("{" + place + "}", digest)
    page = page_on_disc(tmp_path / "disc.iso")
    assert page.decode("ascii").replace("\r\n", "\n") == expected


def test_the_page_fits_a_dos_screen(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", FILES)
    build_disc(plan_disc(recipe_from_folders([top], label="ドライバー" * 30)), tmp_path / "d.iso")
    page = page_on_disc(tmp_path / "d.iso")
    assert page.isascii()
    assert b"\n" not in page.replace(b"\r\n", b"")
    assert max(len(line) for line in page.split(b"\r\n")) <= 79


def test_the_page_can_be_left_off(tmp_path: Path) -> None:
    top = write_tree(tmp_path / "top", {"FILE": b"x"})
    plan = plan_disc(replace(recipe_from_folders([top]), index=False))
    assert [file.long_path for file in plan.files] == ["/FILE"]
    build_disc(plan, tmp_path / "disc.iso")
    with open_image(tmp_path / "disc.iso") as image:
        assert [len(volume.entries) for volume in image.facts.volumes] == [1, 1]
