"""Run a command and tell its seconds and peak memory; shared by the benchmark scripts.

The system counts a child's peak from its parent's size on. A script whose own
process grew (by making its data, say) is run a second time for the memory figures.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

MEDIASHELF = [sys.executable, "-m", "mediashelf"]


class Measured(NamedTuple):
    seconds: float
    peak_mebibytes: float
    exit_code: int


def run(command: list[str], *, stdout: Path | None = None) -> Measured:
    """Run ``command`` with its output thrown away, or kept in ``stdout``."""
    with (stdout or Path(os.devnull)).open("wb") as sink:
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=sink, stderr=subprocess.DEVNULL)
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
    return Measured(seconds, usage.ru_maxrss / 1024, process.returncode)


def best_of(count: int, command: list[str], *, stdout: Path | None = None) -> Measured:
    """Run ``command`` ``count`` times and return the fastest run."""
    return min((run(command, stdout=stdout) for _ in range(count)), key=lambda run: run.seconds)


def row(label: str, measured: Measured, note: str = "") -> None:
    """Print one line of results."""
    print(
        f"{label:<44} {measured.seconds:8.2f} s  {measured.peak_mebibytes:7.0f} MiB"
        f"  exit {measured.exit_code}  {note}"
    )
