"""Scan a library of 300 images, then again unchanged, beside xxhsum and find.

Usage: python tests/benchmarks/scan.py [FOLDER]   (needs about 2.5 GB there)
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

from measure import MEDIASHELF, best_of, row, run
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc


def make_library(folder: Path, *, count: int = 300) -> None:
    """Write ``count`` images of 1 to 15 MB with 5 to 60 files each."""
    for number in range(count):
        source = random.Random(number)
        tree = folder / "trees" / f"{number:03d}"
        for name in range(source.randrange(5, 60)):
            path = tree / f"folder {name % 4}" / f"driver file {name}.bin"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(source.randbytes(source.randrange(1_000, 500_000)))
        shelf = folder / "shelf" / f"box {number % 10}"
        shelf.mkdir(parents=True, exist_ok=True)
        recipe = recipe_from_folders([tree], label=f"DISC{number:03d}")
        build_disc(plan_disc(recipe), shelf / f"disc-{number:03d}.iso")


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    shelf = work / "shelf"
    if not shelf.exists():
        make_library(work)
    images = list(shelf.rglob("*.iso"))
    size = sum(path.stat().st_size for path in images)
    print(f"{len(images)} images, {size:,} bytes")
    catalogue = work / "catalogue.sqlite"
    for leftover in work.glob("catalogue.sqlite*"):
        leftover.unlink()
    options = ["--catalogue", str(catalogue)]
    hashing = ["sh", "-c", f"find '{shelf}' -name '*.iso' -print0 | xargs -0 xxhsum -H2"]
    run(hashing)  # warm the page cache
    run([*MEDIASHELF, "shelf", "add", str(shelf), *options])
    row("mediashelf scan, first", run([*MEDIASHELF, "scan", *options]))
    row("xxhsum -H2 of the same files", best_of(2, hashing))
    row("mediashelf scan, unchanged", best_of(3, [*MEDIASHELF, "scan", *options]))
    row("find -printf", best_of(3, ["find", str(shelf), "-printf", "%p %s %T@\n"]))
    row("mediashelf --version", best_of(3, [*MEDIASHELF, "--version"]))


if __name__ == "__main__":
    main()
