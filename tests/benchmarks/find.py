"""Put 1,000,000 entries of 250 images on record, and search them.

Usage: python tests/benchmarks/find.py [FOLDER]   (needs about 300 MB there)
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

from measure import MEDIASHELF, best_of, row
from mediashelf.catalogue.records.listed_entries import ListedEntries, ListedEntry
from mediashelf.catalogue.scanning.record import record_new
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.walk import RecordPlace
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.integrity.fixity.digests import Digests

IMAGES, ENTRIES = 250, 4000
ROOTS = [
    *("lar", "vid", "dri", "set", "up", "net", "aud", "chip", "moss", "gate", "fer", "tern"),
    *("qui", "lon", "spur", "win", "dos", "log", "help", "read"),
]
ENDINGS = ["sys", "inf", "dll", "exe", "vxd", "cab", "txt", "cat", "hlp", "ini"]
TEXTS = ["mossgate", "setup", "sys", "*.inf", "lar quitern", "f12/moss", "nowhere", "zz", "s"]


def listing(source: random.Random) -> ListedEntries:
    """Return 100 folders with files; most names stand on one disc only, which is the worst case."""
    folders = [ListedEntry("", f"F{number}", 0, 3) for number in range(100)]
    files = [
        ListedEntry(
            f"/F{number % 100}",
            "".join(source.choices(ROOTS, k=3))
            + f"{source.randrange(1000)}."
            + source.choice(ENDINGS),
            number,
            2,
        )
        for number in range(ENTRIES - 100)
    ]
    return ListedEntries.of([*folders, *files])


def fill(catalogue: Catalogue, images: int = IMAGES) -> None:
    source = random.Random(7)
    for number in range(images):
        reading = Reading(
            1, 1, digests=Digests(1, {"xxh3_128": f"{number:032x}"}), listing=listing(source)
        )
        with transaction(catalogue.db):
            place = RecordPlace(1, f"{number:03d}.iso", "device 1")
            record_new(catalogue.db, place, reading, "2026-01-01T00:00:00Z")


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    place = work / "million.sqlite"
    if not place.exists():
        with open_catalogue(place, create=True) as catalogue:
            add_shelf(catalogue, work)
            started = time.perf_counter()
            fill(catalogue)
            seconds = time.perf_counter() - started
            print(f"{IMAGES * ENTRIES:,} entries put on record in {seconds:.1f} s")
    print(f"{place.stat().st_size / 1e6:.0f} MB")
    with open_catalogue(place) as catalogue:
        for text in TEXTS:
            times = []
            for _ in range(3):
                started = time.perf_counter()
                found = catalogue.find(text)
                times.append((time.perf_counter() - started) * 1000)
            count = f"{len(found.hits)} + {found.more}{'' if found.more_is_exact else ' at least'}"
            print(f"find {text:<14} first {times[0]:7.1f} ms, again {min(times):7.1f} ms  {count}")
    options = ["--catalogue", str(place)]
    row(
        "mediashelf find mossgate, the whole process",
        best_of(3, [*MEDIASHELF, "find", "mossgate", *options]),
    )
    row("mediashelf --version", best_of(3, [*MEDIASHELF, "--version"]))


if __name__ == "__main__":
    main()
