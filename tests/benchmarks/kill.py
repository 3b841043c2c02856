"""Kill build, scan and prepare at ten random moments each, and run them again.

Usage: python tests/benchmarks/kill.py TREE LIBRARY   (a folder of files; a folder of images)
"""

from __future__ import annotations

import hashlib
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from measure import MEDIASHELF

ROUNDS = 10


def digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def run(arguments: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run([*MEDIASHELF, *arguments], check=True, capture_output=True)
    return time.perf_counter() - start


def kill_after(arguments: list[str], seconds: float) -> int:
    process = subprocess.Popen(
        [*MEDIASHELF, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    time.sleep(seconds)
    process.send_signal(signal.SIGKILL)
    return process.wait()


def rounds(
    name: str,
    arguments: list[str],
    fresh: Callable[[], None],
    check_killed: Callable[[], str],
    check_done: Callable[[], str],
) -> None:
    fresh()
    whole = run(arguments)
    print(f"{name}: {whole:.2f} s uninterrupted, {check_done()}")
    for number in range(ROUNDS):
        fresh()
        moment = random.Random(number).uniform(0.05, 0.95) * whole
        code = kill_after(arguments, moment)
        state = check_killed()
        run(arguments)
        print(f"  killed at {moment:5.2f} s (exit {code}): {state}; again: {check_done()}")


def main() -> None:
    tree, library = Path(sys.argv[1]), Path(sys.argv[2])
    work = Path(tempfile.mkdtemp(dir=library.parent))
    disc = work / "disc.iso"

    def leftovers(folder: Path) -> int:
        return sum(1 for path in folder.iterdir() if path.name.endswith("partial"))

    def disc_state() -> str:
        assert not disc.exists() or disc.stat().st_size
        return "a whole disc" if disc.exists() else "no disc under its name"

    expected: list[str] = []

    def disc_done() -> str:
        expected.append(digest(disc))
        assert expected[-1] == expected[0] and not leftovers(work)
        return f"SHA-256 {expected[-1][:12]}, no leftovers"

    rounds(
        "build",
        ["build", str(tree), "-o", str(disc)],
        lambda: disc.unlink(missing_ok=True),
        disc_state,
        disc_done,
    )

    catalogue = work / "catalogue.sqlite"
    options = ["--catalogue", str(catalogue)]
    images = sum(1 for _ in library.rglob("*.iso"))

    def empty_catalogue() -> None:
        for path in work.glob("catalogue.sqlite*"):
            path.unlink()
        run(["shelf", "add", str(library), "--name", "library", *options])

    def rows() -> int:
        database = sqlite3.connect(catalogue)
        try:
            assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            return int(database.execute("SELECT count(*) FROM images").fetchone()[0])
        finally:
            database.close()

    def scan_done() -> str:
        assert rows() == images
        return f"{images} images, integrity ok"

    rounds(
        "scan",
        ["scan", *options],
        empty_catalogue,
        lambda: f"{rows()} images recorded, integrity ok",
        scan_done,
    )

    card = work / "card"
    card.mkdir()
    plan = work / "plan.toml"
    chosen = sorted(library.rglob("*.iso"), key=lambda path: -path.stat().st_size)[:12]
    discs = "".join(f'[[disc]]\nimage = "{path}"\npurpose = "disc"\n' for path in chosen)
    plan.write_text(f'name = "Kill"\ntargets = ["nt5"]\n{discs}')

    def empty_card() -> None:
        for path in card.iterdir():
            path.unlink()

    def card_state() -> str:
        whole = 0
        for path in card.glob("*.iso"):
            whole += 1
            assert any(digest(path) == digest(image) for image in chosen), path
        return f"{whole} whole images, manifest {(card / 'manifest.json').exists()}"

    def card_done() -> str:
        run(["manifest", str(card)])
        assert len(list(card.glob("*.iso"))) == len(chosen) and not leftovers(card)
        return f"{len(chosen)} images, manifest agrees, no leftovers"

    rounds(
        "prepare",
        ["prepare", str(plan), "--to", str(card), *options],
        empty_card,
        card_state,
        card_done,
    )


if __name__ == "__main__":
    main()
