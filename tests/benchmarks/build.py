"""Build a disc of 5,000 files / 650 MB and compare time, trees and bytes with other tools.

Usage: python tests/benchmarks/build.py [FOLDER]   (needs about 2.5 GB there)
"""

from __future__ import annotations

import hashlib
import random
import sys
import tempfile
from pathlib import Path

from measure import MEDIASHELF, best_of, row, run
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


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    tree = work / "tree"
    if not tree.exists():
        make_tree(tree)
    paths = [path for path in tree.rglob("*") if path.is_file()]
    print(f"{len(paths)} files, {sum(path.stat().st_size for path in paths):,} bytes")
    (work / "names").write_bytes(b"\0".join(bytes(path) for path in sorted(paths)))
    disc = work / "DISC.iso"
    run(["sh", "-c", f"xargs -0 cat < '{work}/names'"])  # warm the page cache
    for name in ("first", "again"):
        disc.unlink(missing_ok=True)
        row(f"mediashelf build ({name})", run([*MEDIASHELF, "build", str(tree), "-o", str(disc)]))
    row(
        "cat of the same files into one file",
        best_of(2, ["sh", "-c", f"xargs -0 cat < '{work}/names' > '{work}/cat.out'"]),
    )
    row(
        "libarchive's ISO writer (bsdtar)",
        best_of(
            2,
            [
                "bsdtar",
                "-c",
                "--format",
                "iso9660",
                "-f",
                f"{work}/bsdtar.iso",
                "-C",
                str(tree),
                ".",
            ],
        ),
    )
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
