"""Audit discs at each depth, and a raw image, beside xxhsum, sha256sum and cat of the same bytes.

Usage: python tests/benchmarks/audit.py [FOLDER]   (needs about 3 GB there)

All bytes are in the system's memory before anything is measured.
"""

from __future__ import annotations

import gzip
import random
import sys
import tempfile
import time
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from make_files import make_cabinet
from measure import MEDIASHELF, Measured, best_of, row, run
from mediashelf.building.planning.disc_plan import plan_disc
from mediashelf.building.recipes.source_names import recipe_from_folders
from mediashelf.building.writing.write import build_disc
from mediashelf.catalogue.scanning.reading.raw_sectors import WRONG
from mediashelf.formats.raw.sectors import encode_mode_1
from mediashelf.integrity.raw.auditing import audit_raw

FILES = 3000
DISC_FILES = 150_000  # bytes, on the average
RAW_SECTORS = 300_000


def make_disc(folder: Path) -> Path:
    """Write an image of about 450 MB: cabinets, ZIP archives, gzip files, files without checks."""
    disc = folder / "disc.iso"
    if disc.exists():
        return disc
    dice = random.Random(1)
    for number in range(FILES):
        path = folder / "tree" / f"folder {number % 60}" / f"file {number}"
        path.parent.mkdir(parents=True, exist_ok=True)
        data = dice.randbytes(dice.randrange(2 * DISC_FILES))
        kind = number % 4
        if kind == 0:
            path.with_suffix(".cab").write_bytes(make_cabinet([{"A.SYS": data}]).data)
        elif kind == 1:
            with zipfile.ZipFile(path.with_suffix(".zip"), "w", zipfile.ZIP_DEFLATED) as archive:
                archive.writestr("A.SYS", data)
        elif kind == 2:
            path.with_suffix(".gz").write_bytes(gzip.compress(data, 1, mtime=0))
        else:
            path.with_suffix(".dat").write_bytes(data)
    build_disc(plan_disc(recipe_from_folders([folder / "tree"])), disc)
    return disc


def make_raw(folder: Path, disc: Path) -> Path:
    """Write the first part of the disc as raw sectors of mode 1, about 700 MB, and no sheet."""
    raw = folder / "raw" / "disc.bin"
    if raw.exists():
        return raw
    raw.parent.mkdir(exist_ok=True)
    with disc.open("rb") as source, raw.open("wb") as target:
        for lba in range(RAW_SECTORS):
            data = source.read(2048)
            if not data:
                source.seek(16 * 2048)
                data = source.read(2048)
            target.write(encode_mode_1(data, lba))
    return raw


def say(label: str, measured: Measured, size: int, started: float = 0.0) -> None:
    """Print a result with its speed, and the speed without the start of the program."""
    speed = size / measured.seconds / 1e6
    note = f"{speed:8,.0f} MB/s"
    if measured.seconds - started > 0.05 and started:
        alone = size / (measured.seconds - started) / 1e6
        note += f", {alone:,.0f} MB/s after its start"
    row(label, measured, note)


def measure(title: str, image: Path, catalogue: Path, start: float) -> None:
    size = image.stat().st_size
    print(f"\n{title}: {size:,} bytes")
    options = ["--catalogue", str(catalogue)]
    run(["cat", str(image)])
    for depth in ("digests", "contents"):
        command = [*MEDIASHELF, "audit", str(image), "--depth", depth, *options]
        say(f"mediashelf audit --depth {depth}", best_of(3, command), size, start)
    command = [*MEDIASHELF, "audit", str(image), "--digest", "sha256", *options]
    say("mediashelf audit --digest sha256", best_of(2, command), size, start)
    for command in (["cat"], ["xxhsum", "-H2"], ["sha256sum"]):
        say(" ".join(command), best_of(3, [*command, str(image)]), size)


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    work.mkdir(exist_ok=True)
    disc = make_disc(work)
    raw = make_raw(work, disc)
    catalogue = work / "catalogue.sqlite"
    for leftover in work.glob("catalogue.sqlite*"):
        leftover.unlink()
    (work / "disc").mkdir(exist_ok=True)
    kept = work / "disc" / disc.name
    if not kept.exists():
        kept.hardlink_to(disc)
    for folder in (kept.parent, raw.parent):
        run([*MEDIASHELF, "shelf", "add", str(folder), "--catalogue", str(catalogue)])
    run([*MEDIASHELF, "scan", "--catalogue", str(catalogue)])
    start = best_of(3, [*MEDIASHELF, "audit", "--help"]).seconds
    print(f"the program's start takes {start:.2f} s")
    measure("disc", kept, catalogue, start)
    measure("raw image, EDC of every sector", raw, catalogue, start)
    seconds = min(_seconds_of_edc(raw) for _ in range(3))
    print(f"{'EDC alone, within one process':<44} {seconds:8.2f} s", end="")
    print(f"{raw.stat().st_size / seconds / 1e6:30,.0f} MB/s")


def _seconds_of_edc(raw: Path) -> float:
    started = time.perf_counter()
    assert not any(audit_raw(raw).counts[verdict] for verdict in WRONG)
    return time.perf_counter() - started


if __name__ == "__main__":
    main()
