"""Damage small discs in every way and tell what each depth of an audit sees of it.

Every byte of a disc is changed in turn, then whole discs are mutated. Nothing may
crash, take longer than a second or more than 200 MiB.

Usage: python tests/benchmarks/damage.py [--sample N] [--mutated N] [--workers N] [--seed N]
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "makers"))
sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))

from damage_trials import (
    LARGEST_MEMORY,
    FlipTrial,
    Seen,
    look_at_file,
    mutate,
    small_disc,
    udf_disc,
)

DISCS = {"two trees, boot": small_disc, "two trees and UDF": udf_disc}
UDF_SAMPLE = 5_000  # besides every byte of its structures; the disc is mostly empty

Flips = tuple[str, list[int], int]


def flip_bytes(job: Flips) -> tuple[str, dict[str, Seen], float, float]:
    name, places, seed = job
    dice = random.Random(seed)
    trial = FlipTrial(DISCS[name]())
    for at in places:
        trial.flip(at, dice.randrange(1, 256))
    return name, trial.seen, trial.slowest, peak_mebibytes()


def mutate_discs(job: tuple[int, int]) -> tuple[Counter[str], float, float]:
    """Read so many mutated discs whole; returns how many were called what."""
    seed, count = job
    discs = [make() for make in DISCS.values()]
    outcomes: Counter[str] = Counter()
    slowest = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(count):
            dice = random.Random(f"{seed} {number}")
            made = dice.choice(discs)
            names, data = mutate(made, dice)
            try:
                reading, seconds = look_at_file(Path(folder) / "disc.iso", data)
            except Exception as error:
                raise RuntimeError(f"seed {seed}, number {number}, {names}") from error
            if any(each.rule == "structure-understood" for each in reading.findings):
                raise RuntimeError(f"seed {seed}, number {number}, {names}: our own fault")
            slowest = max(slowest, seconds)
            outcomes["looked at"] += 1
            outcomes["seen without a digest"] += bool(reading.findings or reading.inside)
    return outcomes, slowest, peak_mebibytes()


def peak_mebibytes() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def flip_jobs(sample: int, seed: int, pieces: int) -> list[Flips]:
    dice = random.Random(seed)
    jobs = []
    for name, make in DISCS.items():
        trial = FlipTrial(make())
        size = len(trial.made.data)
        wanted = sample or (size if name == "two trees, boot" else UDF_SAMPLE)
        places = set(dice.sample(range(size), min(wanted, size)))
        places.update(trial.regions.places_of_structures(size))
        ordered = sorted(places)
        dice.shuffle(ordered)
        jobs += [(name, ordered[start::pieces], seed + start) for start in range(pieces)]
    return jobs


def say_table(name: str, seen: dict[str, Seen]) -> None:
    print(f"\n{name}: share of changed bytes that is seen")
    print(f"{'region':<24} {'bytes':>7}  {'structure':>9}  {'contents':>9}  {'digests':>9}")
    total = Seen()
    for region, counts in sorted(seen.items()):
        say_row(region, counts)
        for field in ("changes", "structure", "contents", "digests"):
            setattr(total, field, getattr(total, field) + getattr(counts, field))
    say_row("all", total)


def say_row(region: str, seen: Seen) -> None:
    shares = [part / seen.changes for part in (seen.structure, seen.contents, seen.digests)]
    print(f"{region:<24} {seen.changes:>7,}  " + "  ".join(f"{share:>9.1%}" for share in shares))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sample", type=int, default=0, help="changed bytes; 0: every byte")
    parser.add_argument("--mutated", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    started = time.perf_counter()
    jobs = flip_jobs(options.sample, options.seed, options.workers * 4)
    peak = slowest = 0.0
    seen: dict[str, dict[str, Seen]] = {name: {} for name in DISCS}
    # New processes, so that their memory is their own.
    with multiprocessing.get_context("spawn").Pool(options.workers) as pool:
        for name, part, slow, memory in pool.imap_unordered(flip_bytes, jobs):
            slowest, peak = max(slowest, slow), max(peak, memory)
            for region, counts in part.items():
                whole = seen[name].setdefault(region, Seen())
                for field in ("changes", "structure", "contents", "digests"):
                    setattr(whole, field, getattr(whole, field) + getattr(counts, field))
        for name, regions in seen.items():
            say_table(name, regions)
        changes = sum(each.changes for regions in seen.values() for each in regions.values())
        print(f"\n{changes:,} changes, the slowest look took {slowest * 1000:.0f} ms")
        parts = [
            (options.seed * 1000 + part, options.mutated // options.workers)
            for part in range(options.workers)
        ]
        outcomes: Counter[str] = Counter()
        slowest = 0.0
        for counted, slow, memory in pool.imap_unordered(mutate_discs, parts):
            outcomes += counted
            slowest, peak = max(slowest, slow), max(peak, memory)
    words = ", ".join(f"{count:,} {word}" for word, count in outcomes.items())
    print(f"mutated discs: {words}; the slowest look took {slowest * 1000:.0f} ms")
    print(f"peak memory {peak:.0f} MiB; {time.perf_counter() - started:.0f} s in all")
    missed = sum(each.changes - each.digests for part in seen.values() for each in part.values())
    if missed or peak > LARGEST_MEMORY:
        sys.exit(f"{missed} changes missed by digests; {peak:.0f} MiB")


if __name__ == "__main__":
    main()
