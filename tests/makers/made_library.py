"""A small library of made images on disk, and ways to scan and audit it."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from make_image import make_iso
from mediashelf.catalogue.auditing.audit import AuditResult, Depth, run_audit
from mediashelf.catalogue.auditing.names import plan_audit
from mediashelf.catalogue.scanning.planning import plan_scan
from mediashelf.catalogue.scanning.scan import run_scan
from mediashelf.catalogue.scanning.scan_plan import ScanOutcome, ScanPlan
from mediashelf.catalogue.shelves import add_shelf
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.jobs.library.scanning import plan_accepting, read_planned

DATE = 1_000_000_000_000_000_000  # some day in 2001
TICK = 100  # nanoseconds: the step of dates on NTFS ([MS-FSCC] 2.1.1)


def tide_image(seed: int = 0, *, label: str = "TIDE", mebibytes: int = 0) -> bytes:
    """An image with two trees; other seeds give other bytes under the same names."""
    filler = random.Random(seed).randbytes(mebibytes << 20) if mebibytes else b""
    return make_iso(
        {
            "README.TXT": f"tide table {seed}\r\n".encode(),
            "DRIVERS/VIDEO/LKVX3.VXD": b"video driver %d" % seed,
            "DRIVERS/VIDEO/LKVX.INF": b"[Version]\r\n",
            "DRIVERS/SOUND/QUILLON.SYS": b"sound driver",
            **({"FILLER.DAT": filler} if filler else {}),
        },
        joliet=3,
        label=label,
    ).data


def write(path: Path, data: bytes, date: int | None = None) -> Path:
    """Write a file, with a date where one is given, so that time cannot play a part."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    if date is not None:
        os.utime(path, ns=(date, date))
    return path


def overwrite(path: Path, at: int, data: bytes) -> None:
    """Change bytes in place and put the old date back: decay, as far as anybody can see."""
    status = path.stat()
    with path.open("r+b") as file:
        file.seek(at)
        old = file.read(len(data))
        assert old != data
        file.seek(at)
        file.write(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def not_found(folder: Path) -> str:
    """Return what this system says of a folder that is not there."""
    try:
        list(folder.iterdir())
    except OSError as error:
        return str(error.strerror)
    raise AssertionError(f"{folder} is there")


@dataclass
class Library:
    """A catalogue with one shelf, ``home``."""

    catalogue: Catalogue
    root: Path

    def scan(self, *names: str) -> tuple[ScanPlan, list[ScanOutcome]]:
        shelves = [self.catalogue.shelf(name) for name in names] or self.catalogue.shelves()
        plan = plan_scan(self.catalogue, shelves)
        return plan, list(run_scan(self.catalogue, plan))

    def events(self, *names: str) -> dict[str, str]:
        """Scan, and return what happened to each image that was read."""
        return {each.job.seen.path: each.event.value for each in self.scan(*names)[1]}

    def accept(self, *names: str) -> dict[str, str]:
        """Accept images as they are, and return what happened to each."""
        scan = plan_accepting(self.catalogue, names)
        read_planned(self.catalogue, scan)
        return {each.job.seen.path: each.event.value for each in scan.outcomes}

    def audit(
        self, names: Sequence[str] = (), depth: Depth = Depth.DIGESTS
    ) -> dict[str, AuditResult]:
        jobs = plan_audit(self.catalogue, names)
        return {each.job.where: each for each in run_audit(self.catalogue, jobs, depth=depth)}

    def states(self) -> dict[str, str]:
        """What the catalogue says of each image."""
        return {f"{row.shelf}: {row.path}": row.state for row in self.catalogue.images()}

    def add_shelf(self, name: str) -> Path:
        folder = self.root.parent / name
        folder.mkdir(exist_ok=True)
        add_shelf(self.catalogue, folder, name)
        return folder


@contextmanager
def open_library(folder: Path) -> Iterator[Library]:
    """Open the library whose catalogue and shelf ``home`` are in a folder; make what is missing."""
    root = folder / "home"
    root.mkdir(exist_ok=True)
    with open_catalogue(folder / "catalogue.sqlite", create=True) as catalogue:
        if not catalogue.shelves():
            add_shelf(catalogue, root, "home")
        yield Library(catalogue, root)
