"""Look for driver packages inside the images on shelves, once for each content."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mediashelf.catalogue.packages.store import (
    digest_of,
    forget_unused,
    not_looked_into,
    record_packages,
)
from mediashelf.catalogue.rows import ImageRow, kept_number
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.packages.tree import PackageTree, tree_of_disc
from mediashelf.drivers.recorded import KeptPackage, keep_packages
from mediashelf.drivers.recorded_others import KeptOther, keep_others
from mediashelf.errors import MediashelfError
from mediashelf.image import open_image
from mediashelf.jobs.progress import OnAmount
from mediashelf.jobs.shelves.kept import LONG_NAMES_FIRST


@dataclass(slots=True)
class PackageScan:
    """What came of it so far; it grows while images are looked into."""

    image_count: int = 0
    package_count: int = 0


def look_into_images(
    catalogue: Catalogue, rows: Sequence[ImageRow], on_image: OnAmount = lambda count: None
) -> PackageScan:
    """Record the packages of those images that were not looked into; each is kept by itself."""
    scan = PackageScan()
    forget_unused(catalogue.db)
    for row in not_looked_into(catalogue.db, rows):
        try:
            kept, problem = list(_packages_in(row)), ""
        except (OSError, MediashelfError) as error:
            kept, problem = [], str(error)
        if _is_as_recorded(row):
            scan.package_count += record_packages(catalogue.db, digest_of(row), kept, problem)
            scan.image_count += 1
        on_image(1)
    return scan


def _is_as_recorded(row: ImageRow) -> bool:
    """Whether the file is still the one whose digest is on record, as far as its date tells."""
    try:
        status = row.file.stat()
    except OSError:
        return False
    return (status.st_size, kept_number(status.st_mtime_ns)) == (row.size, row.mtime_ns)


def _packages_in(row: ImageRow) -> Iterator[KeptPackage | KeptOther]:
    with open_image(row.file) as image:
        tree = tree_of_disc(row.path, image.facts, LONG_NAMES_FIRST, image.read_file)
        if tree is not None:
            yield from packages_of_tree(tree)


def packages_of_tree(tree: PackageTree) -> Iterator[KeptPackage | KeptOther]:
    """Yield what is kept of every package in a tree."""
    found = find_packages(tree)
    yield from keep_packages(tree, found)
    yield from keep_others(tree, found)
