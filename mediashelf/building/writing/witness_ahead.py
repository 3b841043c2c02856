"""The second reader in a process of its own, which reads while a disc is still being written.

Its records are written first. One process reads all discs of a series. What it says of them is
believed where the finished disc begins with the bytes that it read, and where it found all that
was planned. In any other case whoever builds the disc asks it again, in this process and of the
finished disc.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import compress
from pathlib import Path

from mediashelf.building.naming.directory import PlannedDirectory
from mediashelf.building.planning.disc_plan import DiscPlan
from mediashelf.building.writing import second_reader
from mediashelf.building.writing.second_reader import Columns, SeenDigest, digest_records
from mediashelf.building.writing.witness import planned_boot, planned_columns
from mediashelf.own_process import start_module

LEAST_FILES = 2500
"""With fewer a process takes as long to start as reading here does (measured on two cores)."""


class WitnessAhead:
    """One disc's second reader; with no process it never agrees."""

    def __init__(
        self, plan: DiscPlan, path: Path, process: subprocess.Popen[bytes] | None = None
    ) -> None:
        self._plan = plan
        self._path = path
        self._process = process
        self._records_size = 0

    def begin(self, records_size: int) -> None:
        """Let it read: so many bytes are written, and hold all that says where things are."""
        if self._process is not None and self._process.stdin is not None:
            self._records_size = records_size
            place = os.fsencode(self._path).hex()
            with suppress(OSError):  # it has ended, so there will be no answer
                question = f"{self._plan.size} {records_size} {place}\n"
                self._process.stdin.write(question.encode())
                self._process.stdin.flush()

    def agrees(self) -> bool:
        """Wait for it; tell whether it found what was planned on what is there now."""
        if self._process is None or self._process.stdout is None or not self._records_size:
            return False
        answer = self._process.stdout.readline().strip()
        if self._path.stat().st_size != self._plan.size:  # as it was told
            return False
        digest = digest_records(self._path, self._records_size)
        return answer == f"{_digest_plan(self._plan)} {digest}".encode()


@contextmanager
def asked_ahead(plans: Sequence[DiscPlan], paths: Sequence[Path]) -> Iterator[list[WitnessAhead]]:
    """Start the second reader where the discs are large, for all of them; it ends with the block.

    The discs are written, and their readers asked, one after the other.
    """
    # It looks into boot images as well, which are written later.
    is_for = [plan.boot is None for plan in plans]
    process = None
    if sum(plan.file_count for plan in compress(plans, is_for)) >= LEAST_FILES:
        with suppress(OSError):
            process = start_module(second_reader.__name__, str(sum(is_for)))
    try:
        yield [
            WitnessAhead(plan, path, process if is_asked else None)
            for plan, path, is_asked in zip(plans, paths, is_for, strict=True)
        ]
    finally:
        if process is not None:
            process.kill()
            with suppress(OSError):  # what could not be handed over any more
                process.communicate()


def _digest_plan(plan: DiscPlan) -> str:
    """Return the digest of what the second reader must find."""
    digest = SeenDigest()
    for label, directories in (
        (plan.label.short, plan.layout.iso),
        (plan.label.long, plan.layout.joliet),
    ):
        digest.add_volume(label.rstrip(" ").encode(), plan.layout.sectors)
        waiting = directories[:1]
        while waiting:
            directory = waiting.pop()
            columns = planned_columns(directory)
            order = sorted(range(len(columns.identifiers)), key=columns.identifiers.__getitem__)
            digest.add_directory(Columns._make([column[at] for at in order] for column in columns))
            items = [directory.items[at] for at in order]
            waiting += [item for item in items if isinstance(item, PlannedDirectory)]
    digest.add_boot(planned_boot(plan))
    return digest.hexdigest()
