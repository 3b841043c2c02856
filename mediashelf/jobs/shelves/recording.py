"""Record the driver packages inside the images on shelves, once for each content."""

from __future__ import annotations

from msgspec import Struct

from mediashelf.catalogue import images
from mediashelf.catalogue.packages.looked_into import (
    DEEP,
    PLAIN,
    digest_of,
    forget_closed_for,
    forget_unused,
    has_unopened,
    is_settled,
    not_looked_into,
)
from mediashelf.catalogue.rows import ImageRow, ShelfRow, kept_number
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.jobs.progress import OnAmount


class PackageScan(Struct):
    """What came of it so far; it grows while images are looked into."""

    image_count: int = 0
    package_count: int = 0


def look_into_images(
    catalogue: Catalogue,
    shelf: ShelfRow | None = None,
    *,
    is_deep: bool = False,
    on_image: OnAmount = lambda count: None,
) -> PackageScan:
    """Record the packages of images that were not looked into, on one shelf or on all.

    Those of each image are kept by themselves. With ``is_deep`` archives inside the images
    are opened as well, which takes as long as reading them whole.
    """
    scan = PackageScan()
    reader = DEEP if is_deep else PLAIN
    if has_unopened(catalogue.db):
        _forget_what_waited(catalogue, reader)
    if is_settled(catalogue.db, reader):
        return scan
    forget_unused(catalogue.db)
    wanted = not_looked_into(catalogue.db, reader, shelf.id if shelf is not None else None)
    if not wanted:
        return scan
    # Loaded only here: most scans find nothing to look into.
    from mediashelf.catalogue.packages.store import record_packages
    from mediashelf.jobs.shelves.looking import packages_in

    rows = images.by_ids(catalogue.db, wanted)
    for row in map(rows.__getitem__, wanted):
        unopened: list[str] = []
        kept = list(packages_in(row.file, unopened, is_deep=is_deep))
        if _is_as_recorded(row):
            digest = digest_of(row)
            with transaction(catalogue.db):
                count = record_packages(catalogue.db, digest, reader, kept, unopened)
            scan.package_count += count
            scan.image_count += 1
        on_image(1)
    return scan


def _forget_what_waited(catalogue: Catalogue, reader: int) -> None:
    """Have contents looked into again that could not be opened without a library, if it is here."""
    # Loaded only here: most libraries have nothing that was not opened.
    from importlib.util import find_spec

    from mediashelf.trees.members import NEEDS_LIBRARY

    if find_spec("libarchive") is not None:
        forget_closed_for(catalogue.db, NEEDS_LIBRARY, reader)


def _is_as_recorded(row: ImageRow) -> bool:
    """Whether the file is still the one whose digest is on record, as far as its date tells."""
    try:
        status = row.file.stat()
    except OSError:
        return False
    return (status.st_size, kept_number(status.st_mtime_ns)) == (row.size, row.mtime_ns)
