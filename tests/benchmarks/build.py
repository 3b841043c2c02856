"""Build discs of 50,000 files / 330 MB and of 5,000 files / 650 MB beside another writer.

Then compare the trees and bytes of the last with what other readers find. Usage:
python tests/benchmarks/build.py [FOLDER]   (needs about 3 GB there)
"""

from __future__ import annotations

import gc
import hashlib
import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from measure import MEDIASHELF, row, run
from mediashelf.building.planning.disc_plan import plan_listing
from mediashelf.building.planning.listing import list_sources
from mediashelf.building.recipes.capacity import parse_capacity
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing import witness_ahead, write
from mediashelf.building.writing.witness import hear_witness
from mediashelf.formats.volume import VolumeKind
from mediashelf.image import open_image

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
import outside_readers as readers

WORDS = [
    "Treiber für Netzwerk",
    "драйвер",
    "ドライバー",
    "ovladač zvuku",
    "display driver setup",
    "readme",
]


def make_tree(folder: Path, *, files: int = 5000, total: int = 650_000_000) -> None:
    """Write files with long, clashing and non-Latin names, up to seven folders deep."""
    random_source = random.Random(5000)
    remaining = total
    block = random_source.randbytes(1 << 20)
    for number in range(files):
        depth = number % 7
        parts = [f"{WORDS[(number // 7 + level) % 6]} {level}" for level in range(depth)]
        directory = folder.joinpath(*parts)
        directory.mkdir(parents=True, exist_ok=True)
        size = remaining // (files - number)
        size = min(remaining, random_source.randrange(1, 2 * size + 1) if size > 1 else size)
        if number == files - 1:
            size = remaining
        remaining -= size
        with (directory / f"{WORDS[number % 6]} version {number:05d}.inf").open("wb") as out:
            out.write(number.to_bytes(8, "little")[: min(8, size)])
            left = size - min(8, size)
            while left > 0:
                left -= out.write(block[:left])


def sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def our_tree(image_path: Path, kind: VolumeKind) -> dict[str, str]:
    with open_image(image_path) as image:
        volume = image.facts.volume(kind)
        assert volume is not None
        return {
            entry.path: ""
            if entry.is_directory
            else hashlib.sha256(b"".join(image.iter_file(entry))).hexdigest()
            for entry in volume.entries
        }


def without_joliet(image: Path, output: Path) -> Path:
    """Write a copy whose Joliet descriptor claims no character set, so that it is passed over."""
    data = bytearray(image.read_bytes())
    at = data.index(b"\x02CD001", 16 * 2048)
    data[at + 88 : at + 120] = bytes(32)
    output.write_bytes(data)
    return output


def time_steps(tree: Path, disc: Path) -> None:
    """Build in this process and print the processor's seconds and the peak memory of each step."""
    steps: list[tuple[str, float]] = []

    def timed(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def run_timed(*args: Any, **options: Any) -> Any:
            start = time.process_time()
            result = function(*args, **options)
            steps.append((name, time.process_time() - start))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"    {name:<30} {steps[-1][1]:8.2f} s  {peak:7.0f} MiB")
            return result

        return run_timed

    gc.set_threshold(100_000, 20, 20)  # as commands do
    recipe = recipe_from_folders([tree], capacity=parse_capacity("4GB"))
    listing = timed("list the sources", list_sources)(recipe)
    plan = timed("plan", plan_listing)(recipe, listing)
    writer = timed("write", write.DiscWriter.write)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(write.DiscWriter, "write", lambda self, path: writer(self, path))
        patched.setattr(witness_ahead, "LEAST_FILES", 1 << 60)
        patched.setattr(write, "read_back_disc", timed("our own reader", write.read_back_disc))
        patched.setattr(write, "hear_witness", timed("pycdlib, the second reader", hear_witness))
        write.build_disc(plan, disc)
    total = sum(seconds for _, seconds in steps)
    print(f"    the second reader takes {steps[-1][1] / total:.0%} of the build")


def compare_times(tree: Path, work: Path, *, pairs: int = 5) -> None:
    """Print medians of runs that take turns: a peer's, then ours."""
    disc, peer = work / "DISC.iso", work / "bsdtar.iso"
    build = [*MEDIASHELF, "build", str(tree), "-o", str(disc), "--replace", "--capacity", "4GB"]
    bsdtar = ["bsdtar", "-c", "--format", "iso9660", "-f", str(peer), "-C", str(tree), "."]
    runs = [(run(bsdtar), run(build)) for _ in range(pairs)]
    for number, label in enumerate(("bsdtar --format iso9660", "mediashelf build")):
        measured = [pair[number] for pair in runs]
        seconds = statistics.median(one.seconds for one in measured)
        row(label, max(measured)._replace(seconds=seconds))
    ratio = statistics.median(ours.seconds / theirs.seconds for theirs, ours in runs)
    print(f"{'ratio, median of pairs':<44} {ratio:8.2f}")


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    trees = {}
    for files, total in ((50_000, 330_000_000), (5_000, 650_000_000)):
        trees[files] = tree = work / f"tree-{files}"
        if not tree.exists():
            make_tree(tree, files=files, total=total)
    for files, tree in trees.items():
        print(f"{files:,} files")
        compare_times(tree, work)
    for files, tree in trees.items():
        print(f"{files:,} files, step by step in one process, by the processor's time")
        time_steps(tree, work / "DISC.iso")
    paths = [path for path in tree.rglob("*") if path.is_file()]
    disc = work / "DISC.iso"
    joliet, primary = our_tree(disc, VolumeKind.JOLIET), our_tree(disc, VolumeKind.ISO9660)
    plain = without_joliet(disc, work / "without-joliet.iso")
    for label, ours, theirs in (
        ("Joliet tree, pycdlib", joliet, readers.pycdlib_tree(disc, joliet=True)),
        ("Joliet tree, libarchive", joliet, readers.libarchive_tree(disc, joliet=True)),
        ("Joliet tree, The Sleuth Kit", joliet, readers.sleuth_kit_tree(disc)),
        ("ISO 9660 tree, pycdlib", primary, readers.pycdlib_tree(disc, joliet=False)),
        ("ISO 9660 tree, libarchive", primary, readers.libarchive_tree(disc, joliet=False)),
        ("ISO 9660 tree, The Sleuth Kit", primary, readers.sleuth_kit_tree(plain)),
    ):
        verdict = (
            "identical"
            if ours == theirs
            else f"DIFFERENT: {set(ours.items()) ^ set(theirs.items())!r:.400}"
        )
        print(f"{label:<44} {len(theirs):6,} entries and digests: {verdict}")
    sources = sorted(sha(path.read_bytes()) for path in paths)
    on_disc = sorted(joliet.values())
    missing = [digest for digest in sources if digest not in set(on_disc)]
    print(f"every source file's bytes are on the disc: {not missing}")


if __name__ == "__main__":
    main()
