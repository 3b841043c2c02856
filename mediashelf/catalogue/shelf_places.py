"""Shelves that change their place: moved to another folder, or taken over by one around them."""

from __future__ import annotations

from pathlib import Path

from mediashelf.catalogue.rows import ImageRow, ShelfRow, keep_path
from mediashelf.catalogue.scanning.other_folder import sizes_of
from mediashelf.catalogue.scanning.presence import FileSystems, is_certain
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import CatalogueError
from mediashelf.system import real_folder


def move_shelf(catalogue: Catalogue, shelf: ShelfRow, root: Path) -> int:
    """Let a shelf be at another folder, with all its records; return how many images are there.

    Raises :class:`CatalogueError` where none of its images is: that is not its disk.
    """
    rows = catalogue.images(shelf=shelf.name)
    found = count_alike(rows, root)
    if rows and not found:
        raise CatalogueError(
            f"{root}: none of the {len(rows):,} images of the shelf {shelf.name!r} is here; "
            "register another folder with: mediashelf shelf add"
        )
    with transaction(catalogue.db):
        catalogue.db.execute(
            "UPDATE shelves SET root = ? WHERE id = ?", [keep_path(root), shelf.id]
        )
    return found


def count_alike(rows: list[ImageRow], root: Path) -> int:
    """Return how many images are in a folder under their path, with the size on record."""
    count = 0
    for row in rows:
        try:
            count += (root / row.path).stat().st_size in sizes_of(row)
        except (OSError, ValueError):
            continue
    return count


def take_over(catalogue: Catalogue, inner: ShelfRow, outer_id: int, real: Path) -> None:
    """Give the records of a shelf to one whose folder holds it; in the caller's transaction."""
    prefix = real_folder(inner.root).relative_to(real).as_posix()
    catalogue.db.executemany(
        "UPDATE images SET shelf_id = ?, path = ? WHERE id = ?",
        [
            (outer_id, keep_path(f"{prefix}/{row.path}"), row.id)
            for row in catalogue.images(shelf=inner.name)
        ],
    )
    catalogue.db.execute("DELETE FROM shelves WHERE id = ?", [inner.id])


def same_disk(catalogue: Catalogue, root: Path) -> ShelfRow | None:
    """Return the shelf that was unplugged and is now mounted at ``root``, or None.

    Known for certain only where the system names file systems by their UUID or serial number.
    """
    name = FileSystems().of(str(root))
    if not is_certain(name):
        return None
    for shelf in _absent(catalogue):
        rows = catalogue.images(shelf=shelf.name)
        if any(row.file_system == name for row in rows) and count_alike(rows, root):
            return shelf
    return None


def lookalike(catalogue: Catalogue, root: Path) -> ShelfRow | None:
    """Return a shelf that is not there and has most of its images here too: moved, or copied."""
    for shelf in _absent(catalogue):
        rows = catalogue.images(shelf=shelf.name)
        if rows and count_alike(rows, root) * 2 > len(rows):
            return shelf
    return None


def _absent(catalogue: Catalogue) -> list[ShelfRow]:
    """Return the shelves with images of which none is at its place."""
    return [
        shelf
        for shelf in catalogue.shelves()
        if shelf.image_count and not count_alike(catalogue.images(shelf=shelf.name), shelf.root)
    ]
