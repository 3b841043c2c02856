"""List an image of 50,000 files with mediashelf, bsdtar and pycdlib.

Usage: python tests/benchmarks/show.py [FOLDER]
"""

from __future__ import annotations

import sys
import tempfile
from io import BytesIO
from pathlib import Path

import pycdlib

from measure import MEDIASHELF, best_of, row

FILES, FOLDERS = 50_000, 100

PYCDLIB = """
import sys, pycdlib
iso = pycdlib.PyCdlib()
iso.open(sys.argv[1])
for key in ("iso_path", "joliet_path"):
    for parent, folders, files in iso.walk(**{key: "/"}):
        for name in files:
            print(parent, name)
"""


def make_image(path: Path) -> None:
    """Write the image; children are added in the order of each tree, which keeps it linear."""
    iso = pycdlib.PyCdlib()
    iso.new(interchange_level=1, joliet=3, vol_ident="FIFTYTHOUSAND")
    for folder in range(FOLDERS):
        iso.add_directory(f"/D{folder:07d}", joliet_path=f"/folder number {folder:07d}")
    for number in range(FILES):
        folder = number // (FILES // FOLDERS)
        data = b"%d" % number
        iso.add_fp(
            BytesIO(data),
            len(data),
            f"/D{folder:07d}/F{number:07d}.TXT;1",
            joliet_path=f"/folder number {folder:07d}/file number {number:07d}.txt",
        )
    iso.write(str(path))
    iso.close()


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    image = work / "fifty-thousand.iso"
    if not image.exists():
        make_image(image)
    row("mediashelf show", best_of(3, [*MEDIASHELF, "show", str(image)]))
    row("mediashelf show --tree", best_of(3, [*MEDIASHELF, "show", "--tree", str(image)]))
    row("mediashelf show --json", best_of(3, [*MEDIASHELF, "show", "--json", str(image)]))
    row("bsdtar -t (one tree)", best_of(3, ["bsdtar", "-t", "-f", str(image)]))
    row("pycdlib (both trees)", best_of(3, [sys.executable, "-c", PYCDLIB, str(image)]))
    row("python, nothing imported", best_of(3, [sys.executable, "-c", "pass"]))


if __name__ == "__main__":
    main()
