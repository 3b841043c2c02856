"""What a process that helps with a scan does; it loads this where the scan loads it not yet."""

from __future__ import annotations

from pathlib import Path

from mediashelf.catalogue.scanning.reading.image import read_image
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.jobs.shelves.first_look import packages_of


def read_small_image(path: Path, algorithms: tuple[str, ...], with_packages: bool) -> Reading:
    """Read an image whole."""
    look = packages_of if with_packages else None
    return read_image(path, algorithms=algorithms, look_for_packages=look)
