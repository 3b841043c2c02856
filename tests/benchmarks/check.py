"""Check an image of 50,000 files for all built-in targets.

Usage: python tests/benchmarks/check.py [FOLDER]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from measure import MEDIASHELF, best_of, row
from mediashelf.image import open_image
from mediashelf.readability.check import check_targets
from mediashelf.readability.targets import load_targets
from show import make_image


def main() -> None:
    work = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    image = work / "fifty-thousand.iso"
    if not image.exists():
        make_image(image)
    with open_image(image) as opened:
        facts = opened.facts
    targets = load_targets().values()
    start = time.perf_counter()
    count = sum(len(found) for _, found in check_targets(facts, targets))
    seconds = time.perf_counter() - start
    print(f"the rules alone: {seconds:.2f} s, {count:,} findings")
    row("mediashelf check", best_of(3, [*MEDIASHELF, "check", str(image)]))
    row("mediashelf check --json", best_of(3, [*MEDIASHELF, "check", "--json", str(image)]))


if __name__ == "__main__":
    main()
