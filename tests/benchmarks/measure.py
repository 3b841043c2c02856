"""Run commands and tell their seconds and peak memory; shared by the benchmark scripts.

The system counts a child's peak from its parent's size on. A script whose own
process grew (by making its data, say) is run a second time for the memory figures.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

ENVIRONMENT = {
    name: value
    for name, value in os.environ.items()
    if name not in ("PYTHONDONTWRITEBYTECODE", "PYTHONUNBUFFERED")
}
"""As installed programs run: with their modules compiled once, and buffers on what they print."""

MEDIASHELF = [sys.executable, "-m", "mediashelf"]


class Measured(NamedTuple):
    seconds: float
    peak_mebibytes: float
    exit_code: int
    processor_seconds: float = 0.0


class Pairs(NamedTuple):
    """Medians of runs that took turns: a peer's, then ours."""

    ours: Measured
    peer: Measured
    ratio: float
    processor_ratio: float


def run(command: list[str], *, stdout: Path | None = None) -> Measured:
    """Run ``command`` with its output thrown away, or kept in ``stdout``."""
    with (stdout or Path(os.devnull)).open("wb") as sink:
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=sink, stderr=subprocess.DEVNULL, env=ENVIRONMENT)
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    processor = usage.ru_utime + usage.ru_stime
    return Measured(seconds, usage.ru_maxrss / 1024, process.returncode, processor)


def best_of(count: int, command: list[str], *, stdout: Path | None = None) -> Measured:
    """Run ``command`` ``count`` times and return the fastest run."""
    return min((run(command, stdout=stdout) for _ in range(count)), key=lambda run: run.seconds)


def middle(runs: list[Measured]) -> Measured:
    """Return the medians of the seconds, the largest peak and the worst exit code."""
    return Measured(
        statistics.median(each.seconds for each in runs),
        max(each.peak_mebibytes for each in runs),
        max(each.exit_code for each in runs),
        statistics.median(each.processor_seconds for each in runs),
    )


def compare(
    ours: list[str],
    peer: list[str],
    *,
    count: int = 5,
    before: Callable[[], object] = lambda: None,
) -> Pairs:
    """Let a peer and us take turns, so that what else the machine does disturbs both.

    ``before`` is called before each run of either.
    """
    pairs: list[tuple[Measured, Measured]] = []
    for _ in range(count):
        before()
        theirs = run(peer)
        before()
        pairs.append((run(ours), theirs))
    return Pairs(
        middle([ours for ours, _ in pairs]),
        middle([theirs for _, theirs in pairs]),
        statistics.median(ours.seconds / theirs.seconds for ours, theirs in pairs),
        statistics.median(
            ours.processor_seconds / max(theirs.processor_seconds, 0.001) for ours, theirs in pairs
        ),
    )


def row(label: str, measured: Measured, note: str = "") -> None:
    """Print one line of results."""
    print(
        f"{label:<44} {measured.seconds:8.2f} s  {measured.peak_mebibytes:7.0f} MiB"
        f"  exit {measured.exit_code}  {note}"
    )
