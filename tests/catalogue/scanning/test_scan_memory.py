"""What a scan holds of a disc while it records it: a few hundred bytes of each entry.

Measured beside the disc's own bytes, by how much more a disc of four times the files takes.
"""

from __future__ import annotations

import gc
import tracemalloc
from pathlib import Path

from made_library import DATE, open_library, write
from make_image import make_iso

FILES = 1200
MOST_AN_ENTRY = 300  # bytes; with a value for each entry it would be twice as much
A_FOLDER = 100


def peak_of_scan(folder: Path, count: int) -> int:
    """Scan a disc of so many files, each in two trees, in a library that has scanned before."""
    files = {f"FOLDER{n // A_FOLDER:02}/FILE{n:04}.TXT": b"%d" % n for n in range(count)}
    data = make_iso(files, joliet=3).data
    folder.mkdir()
    with open_library(folder) as library:
        write(library.root / "first.iso", make_iso({"A.TXT": b"a"}, joliet=3).data, DATE)
        library.scan()
        write(library.root / "tide.iso", data, DATE)
        del data, files
        gc.collect()
        tracemalloc.start()
        try:
            library.scan()
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()


def test_a_scan_takes_little_memory_by_the_entry(tmp_path: Path) -> None:
    small, large = (peak_of_scan(tmp_path / f"{n}", n) for n in (FILES, 4 * FILES))
    entries = 2 * (3 * FILES + 3 * FILES // A_FOLDER)
    assert (large - small) / entries < MOST_AN_ENTRY
