"""Measure every kind of work beside a peer, and print one table: ratios, goals, peak memory.

Usage: python tests/benchmarks/table.py [--folder FOLDER] [--scale 0.02] [--pairs 5] [ROW…]

Inputs are made once in FOLDER (about 20 GB at scale 1). Peers and we take turns, so that
what else the machine does disturbs both; ratios are medians of the pairs, by the clock and
by the processor's time of the process with its children. A goal is met where both are
within it; "by clock" and "by processor" say that one of them is.

The program is installed into an environment of its own, as users have it: an editable install
and what developers have beside it add up to 10 ms to each start. --program names another one.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from measure import ENVIRONMENT, Pairs, compare, run

INPUTS = Path(__file__).with_name("inputs.py")
ROOT = Path(__file__).parents[2]
INSTALLED = ("mediashelf", "pyproject.toml", "README.md", "LICENSE")
READ_DEVICES = "\n\n".join(
    f"PCI\\VEN_F2C4&DEV_{170 * n:04X}&SUBSYS_{n % 100:04X}F2C4&REV_01" for n in range(200)
)


class Row(NamedTuple):
    """One line of the table. What has no peer has a number of its own in ``value``, and a unit."""

    work: str
    peer: str
    goal: float
    pairs: Pairs | None = None
    value: tuple[float, float] = (0, 0)  # by the clock, by the processor
    unit: str = "×"
    is_least: bool = False  # the goal is a lower bound
    note: str = ""

    @property
    def figures(self) -> tuple[float, float]:
        if self.pairs is None or self.unit != "×":
            return self.value
        return self.pairs.ratio, self.pairs.processor_ratio

    @property
    def verdict(self) -> str:
        clock, processor = (
            (figure >= self.goal) if self.is_least else (figure <= self.goal)
            for figure in self.figures
        )
        both = {(True, True): "met", (False, False): "missed"}
        return both.get((clock, processor), "by clock" if clock else "by processor")

    def __str__(self) -> str:
        clock, processor = self.figures
        bound = "≥" if self.is_least else "≤"
        peak = f"{self.pairs.ours.peak_mebibytes:6.0f} MiB" if self.pairs else ""
        seconds = (
            f"{self.pairs.ours.seconds:7.2f} s {self.pairs.peer.seconds:7.2f} s"
            if self.pairs
            else ""
        )
        failed = f"  exit {self.pairs.ours.exit_code}" if self.pairs else ""
        return (
            f"{self.work:<36} {self.peer:<26} {clock:8.2f} {processor:8.2f} {bound} {self.goal:<5g}"
            f" {self.unit:<3} {self.verdict:<12} {seconds:<19} {peak:>10}"
            f"{failed if failed != '  exit 0' else ''} {self.note}"
        ).rstrip()


class Bench:
    """The folder of the inputs, and how much is asked."""

    def __init__(self, folder: Path, scale: float, pairs: int, program: Path | None) -> None:
        self.folder = folder
        self.scale = scale
        self.pairs = pairs
        self.work = folder / "work"
        shutil.rmtree(self.work, ignore_errors=True)
        self.work.mkdir(parents=True)
        # What looks into the catalogue finds this empty one, not the keeper's own.
        os.environ["MEDIASHELF_CATALOGUE"] = ENVIRONMENT["MEDIASHELF_CATALOGUE"] = str(
            self.work / "none.sqlite"
        )
        self.program = program or installed(self.work)
        self.bare = [str(self.program.with_name("python")), "-c", "pass"]

    def count(self, full: int, least: int = 1) -> int:
        return max(round(full * self.scale), least)

    def made(self, name: str, count: int) -> Path:
        """Return the folder of an input; it is made where it is not there yet."""
        place = self.folder / f"{name}-{count}"
        if not place.exists():
            unfinished = self.folder / "unfinished"
            shutil.rmtree(unfinished, ignore_errors=True)
            unfinished.mkdir()
            subprocess.run([sys.executable, INPUTS, name, unfinished, str(count)], check=True)
            unfinished.rename(place)
        return place

    def ours(self, *words: str | Path) -> list[str]:
        return [str(self.program), *map(str, words)]

    def compare(
        self,
        ours: list[str],
        peer: list[str],
        before: Callable[[], object] = lambda: None,
        count: int = 0,
    ) -> Pairs:
        return compare(ours, peer, count=count or self.pairs, before=before)

    def catalogue(self, name: str, shelf: Path) -> list[str]:
        """Return the option for a new catalogue with one shelf."""
        place = self.work / f"{name}.sqlite"
        for leftover in self.work.glob(f"{name}.sqlite*"):
            leftover.unlink()
        options = ["--catalogue", str(place)]
        run(self.ours("shelf", "add", shelf, *options))
        return options


def installed(work: Path) -> Path:
    """Install the program into an environment of its own, and return its command."""
    source, place = work / "source", work / "environment"
    source.mkdir()
    for name in INSTALLED:  # a copy: what is built leaves files beside the code
        copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
        copy(ROOT / name, source / name)
    subprocess.run([sys.executable, "-m", "venv", place], check=True)
    pip = [place / "bin" / "python", "-m", "pip", "--disable-pip-version-check"]
    subprocess.run([*pip, "install", "-q", f"{source}[archives]"], check=True)
    return place / "bin" / "mediashelf"


def shell(text: str) -> list[str]:
    return ["sh", "-c", text]


def build(bench: Bench) -> Iterator[Row]:
    for name, full, goal in (("large-files", 5000, 1.0), ("many-small-files", 50_000, 1.5)):
        count = bench.count(full, 50)
        tree = bench.made(name, count)
        disc, peer = bench.work / "DISC.iso", bench.work / "peer.iso"
        build = bench.ours("build", tree, "-o", disc, "--replace", "--capacity", "4GB", "-q")
        bsdtar = ["bsdtar", "-c", "--format", "iso9660", "-f", str(peer), "-C", str(tree), "."]
        yield Row(f"build {count:,} files", "bsdtar", goal, bench.compare(build, bsdtar))


def spread(bench: Bench) -> Iterator[Row]:
    for packages in (500, 2500):
        count = bench.count(packages, 10)
        tree = bench.made("drivers", count)
        discs, disc = bench.work / f"discs-{count}", bench.work / "plain.iso"
        capacity = f"{max(count * 10, 1000)} sectors"
        ours = bench.ours("build", tree, "-o", discs, "--spread", "--capacity", capacity, "-q")
        plain = bench.ours("build", tree, "-o", disc, "--capacity", "4GB", "-q")
        for command in (ours, plain):
            command += ["--replace", "--anyway"]
        yield Row(f"spread {2 * count:,} files", "plain build", 1.5, bench.compare(ours, plain))


def show_and_check(bench: Bench) -> Iterator[Row]:
    count = bench.count(50_000, 200)
    image = bench.made("three-trees", count) / "disc.iso"
    peer = ["bsdtar", "-tvf", str(image)]
    for words, goal in (
        (["show", "--tree"], 1.5),
        (["show", "--json"], 2.0),
        (["check"], 2.0),
    ):
        pairs = bench.compare(bench.ours(*words, image), peer)
        yield Row(
            f"{' '.join(words)} {count:,} files, 3 trees", "bsdtar -tvf (1 tree)", goal, pairs
        )


def scan(bench: Bench) -> Iterator[Row]:
    """Three images show what a start costs beside the reading, twelve what the reading costs."""
    for full in (3, 12):
        yield from _scan_large(bench, bench.count(full))


def _scan_large(bench: Bench, count: int) -> Iterator[Row]:
    shelf = bench.made("large-images", count) / "shelf"
    images = sorted(shelf.glob("*.iso"))
    options: list[str] = []

    def renew() -> None:
        options[:] = bench.catalogue("large", shelf)

    def renew_cold() -> None:
        renew()
        for path in images:
            descriptor = os.open(path, os.O_RDONLY)
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
            os.close(descriptor)

    renew()
    run(["cat", *map(str, images)])
    ours = bench.ours("scan", "-q", *options)
    hashing = ["xxhsum", "-H2", *map(str, images)]
    warm = bench.compare(ours, hashing, renew)
    yield Row(f"scan {count} large images, warm", "xxhsum -H2", 1.3, warm)
    cold = bench.compare(ours, ["cat", *map(str, images)], renew_cold, count=min(bench.pairs, 3))
    yield Row(f"scan {count} large images, cold", "cat", 1.05, cold)


def scan_small(bench: Bench) -> Iterator[Row]:
    count = bench.count(1000, 20)
    shelf = bench.made("small-images", count) / "shelf"
    hashing = shell(f"find '{shelf}' -name '*.iso' -print0 | xargs -0 xxhsum -H2")
    options = bench.catalogue("small", shelf)
    scan = bench.ours("scan", "-q", *options)
    pairs = bench.compare(scan, hashing, lambda: bench.catalogue("small", shelf))
    times = tuple(
        1000 * each / count for each in (pairs.ours.seconds, pairs.ours.processor_seconds)
    )
    yield Row(f"scan {count:,} small images, each", "xxhsum", 1.0, pairs, times, "ms")


def scan_entries(bench: Bench) -> Iterator[Row]:
    count = bench.count(50_000, 200)
    shelf = bench.made("three-trees", count)
    catalogue = bench.catalogue("entries", shelf)
    scan = bench.ours("scan", "-q", *catalogue)
    hashing = ["xxhsum", "-H2", str(shelf / "disc.iso")]
    pairs = bench.compare(scan, hashing, lambda: bench.catalogue("entries", shelf))
    entries = 2 * count  # those of two trees are kept, where a name is cut in one
    times = (
        1e6 * (pairs.ours.seconds - pairs.peer.seconds) / entries,
        1e6 * (pairs.ours.processor_seconds - pairs.peer.processor_seconds) / entries,
    )
    yield Row(f"scan {count:,} files, each of 2 names", "less xxhsum", 25, pairs, times, "µs")


def library(bench: Bench) -> Iterator[Row]:
    count = bench.count(10_000, 50)
    shelf = bench.made("small-images", count) / "shelf"
    options = bench.catalogue("library", shelf)
    run(bench.ours("scan", "-q", *options))
    walk = ["find", str(shelf), "-printf", "%p %s %T@\\n"]
    pairs = bench.compare(bench.ours("scan", *options), walk)
    yield Row(f"rescan {count:,} unchanged images", "find -printf", 3, pairs)
    pairs = bench.compare(bench.ours("list", *options), bench.bare)
    yield Row(f"list {count:,} images", "bare Python", 15, pairs)


def start(bench: Bench) -> Iterator[Row]:
    shelf = bench.made("small-images", bench.count(1000, 20)) / "shelf"
    options = bench.catalogue("empty", shelf)
    for words, goal in ((["--help"], 4), (["--version"], 4), (["list", *options], 6)):
        pairs = bench.compare(bench.ours(*words), bench.bare, count=4 * bench.pairs)
        yield Row(f"{words[0]}{' of nothing' if words[1:] else ''}", "bare Python", goal, pairs)


FIND = """
import sys, time
from pathlib import Path
from mediashelf.catalogue.store import open_catalogue
with open_catalogue(Path(sys.argv[1])) as catalogue:
    for text in sys.argv[2:]:
        times = []
        for _ in range(3):
            start, used = time.perf_counter(), time.process_time()
            catalogue.find(text)
            times.append((time.perf_counter() - start, time.process_time() - used))
        print(*(1000 * seconds for seconds in min(times)))
"""
TEXTS = ["mossgate", "setup", "sys", "*.inf", "lar quitern", "f12/moss", "nowhere", "zz", "s", "q?"]


def find(bench: Bench) -> Iterator[Row]:
    count = bench.count(1250, 5)
    catalogue = bench.made("search-catalogue", count) / "catalogue.sqlite"
    command = [sys.executable, "-c", FIND, str(catalogue), *TEXTS]
    answer = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    figures = [tuple(map(float, line.split())) for line in answer.splitlines()]
    (clock, processor), slowest = max(zip(figures, TEXTS, strict=True))
    work = f"find in {4000 * count:,} entries"
    yield Row(work, "", 50, None, (clock, processor), "ms", note=f"the slowest of 10: {slowest!r}")


def prepare(bench: Bench) -> Iterator[Row]:
    shelf = bench.made("large-images", bench.count(3)) / "shelf"
    images = sorted(shelf.glob("*.iso"))
    plan = bench.work / "session.toml"
    discs = "".join(f'[[disc]]\nimage = "{path}"\npurpose = "Disc"\n' for path in images)
    plan.write_text(f'name = "Kiosk"\nmachine = "PC"\ntargets = ["win9x"]\n{discs}')
    card, peer = bench.work / "card", bench.work / "peer-card"

    def renew() -> None:
        for folder in (card, peer):
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()

    catalogue = bench.catalogue("prepare", bench.work)
    ours = bench.ours("prepare", plan, "--to", card, "-q", "--anyway", *catalogue)
    copy = " && ".join(f"cp {path} {peer} && cmp {path} {peer / path.name}" for path in images)
    count = min(bench.pairs, 3)
    yield Row("prepare", "cp + cmp", 1.2, bench.compare(ours, shell(copy), renew, count=count))
    # The same with what prepare promises: on the disk, and read back from there.
    copy = " && ".join(
        f"cp {path} {peer} && sync {peer / path.name} && dd if={peer / path.name} bs=4M "
        f"iflag=direct status=none | cmp {path} -"
        for path in images
    )
    pairs = bench.compare(ours, shell(copy), renew, count=count)
    yield Row("prepare", "cp, sync, cmp from disk", 1.2, pairs)
    renew()


def convert(bench: Bench) -> Iterator[Row]:
    raw = bench.made("raw-image", bench.count(310_000, 2000))
    disc, peer = bench.work / "converted.iso", bench.work / "converted.raw"
    ours = bench.ours("convert", raw / "raw.cue", "-o", disc, "--replace", "-q")
    copy = f"cat {raw / 'raw.bin'} > {peer}"
    yield Row("convert a raw image", "cat", 1.5, bench.compare(ours, shell(copy)))
    # The same with what convert promises: on the disk.
    flushed = shell(f"{copy} && sync {peer}")
    yield Row("convert a raw image", "cat, sync", 1.5, bench.compare(ours, flushed))


def drivers(bench: Bench) -> Iterator[Row]:
    count = bench.count(5000, 20)
    tree = bench.made("drivers", count)
    machine = bench.work / "machine.txt"
    machine.write_text(READ_DEVICES)
    ours = bench.ours("drivers", tree, "-m", machine, "-t", "win9x", "-q", "--fail-on", "never")
    reading = shell(f"find '{tree}' -name '*.inf' -print0 | xargs -0 cat > /dev/null")
    pairs = bench.compare(ours, reading, count=min(bench.pairs, 3))
    seconds = (pairs.ours.seconds, pairs.ours.processor_seconds)
    yield Row(f"drivers, {count:,} INFs, 200 devices", "reading the files", 3, pairs, seconds, "s")


INFLATE = """
import sys, zlib
for path in sys.argv[1:]:
    data = open(path, 'rb').read()
    unpacker = zlib.decompressobj(31)
    while data:
        unpacker.decompress(data, 1 << 20)
        data = unpacker.unconsumed_tail
"""


def audit(bench: Bench) -> Iterator[Row]:
    shelf = bench.made("compressed-contents", bench.count(40, 2))
    catalogue = bench.catalogue("contents", shelf)
    run(bench.ours("scan", "-q", *catalogue))
    ours = bench.ours("audit", "--depth", "contents", "-q", *catalogue)
    members = map(str, sorted((shelf / "members").iterdir()))
    pairs = bench.compare(ours, [sys.executable, "-c", INFLATE, *members])
    rates = (1 / pairs.ratio, 1 / pairs.processor_ratio)
    yield Row("audit --depth contents", "zlib's rate", 0.8, pairs, rates, "of it", is_least=True)


GROUPS: dict[str, Callable[[Bench], Iterator[Row]]] = {
    "build": build,
    "spread": spread,
    "show-check": show_and_check,
    "scan": scan,
    "scan-small": scan_small,
    "scan-entries": scan_entries,
    "library": library,
    "start": start,
    "find": find,
    "prepare": prepare,
    "convert": convert,
    "drivers": drivers,
    "audit": audit,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rows", nargs="*", choices=[*GROUPS, []], help="all, if none is named")
    parser.add_argument(
        "--folder", type=Path, default=Path(tempfile.gettempdir()) / "mediashelf-table"
    )
    parser.add_argument("--scale", type=float, default=1.0, help="0.02 for a quick look")
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--program", type=Path, help="the mediashelf of an environment")
    options = parser.parse_args()
    bench = Bench(options.folder, options.scale, options.pairs, options.program)
    print(
        f"{'work':<36} {'peer':<26} {'clock':>8} {'proc.':>8}   {'goal':<9} {'':<12}"
        f" {'ours':>9} {'peer':>9}  peak memory"
    )
    for name in options.rows or GROUPS:
        started = time.perf_counter()
        for each in GROUPS[name](bench):
            print(each, flush=True)
        print(f"# {name}: {time.perf_counter() - started:.0f} s", file=sys.stderr)
    shutil.rmtree(bench.work)


if __name__ == "__main__":
    main()
