"""Shelves: register a folder as one, tell which are here, forget what is on record of one."""

from __future__ import annotations

import os
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue.rows import Presence, ShelfRow
from mediashelf.catalogue.scanning.other_folder import other_folder
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.shelf_places import lookalike, same_disk
from mediashelf.catalogue.shelves import (
    add_shelf,
    drop_shelf,
    forget_missing,
    move_to,
    shelves_inside,
)
from mediashelf.catalogue.store import Catalogue


class Registered(Struct, frozen=True):
    """A shelf, and what came of the ones before.

    ``taken_over`` are the names of shelves inside it, which are a part of it now.
    ``moved_from`` is where it was, when it is a known disk at another place.
    ``looks_like`` names a shelf that is not there now and has most of its images here too.
    """

    shelf: ShelfRow
    taken_over: tuple[str, ...] = ()
    moved_from: Path | None = None
    looks_like: str = ""


def register_shelf(catalogue: Catalogue, folder: Path, name: str = "") -> Registered:
    """Register a folder; a disk that was unplugged and mounted elsewhere stays one shelf."""
    known = same_disk(catalogue, folder.absolute())
    if known is not None and (not name or name.lower() == known.name.lower()):
        shelf, _ = move_to(catalogue, known.name, folder)
        return Registered(shelf, moved_from=known.root)
    inner = tuple(shelf.name for shelf in shelves_inside(catalogue, folder))
    twin = lookalike(catalogue, folder.absolute())
    shelf = add_shelf(catalogue, folder, name)
    looks_like = "" if twin is None or twin.name in inner else twin.name
    return Registered(shelf, inner, looks_like=looks_like)


def shelves_here(catalogue: Catalogue) -> list[tuple[ShelfRow, bool]]:
    """Return every shelf, and whether it is here now: its folder, with something of it."""
    file_systems = FileSystems()
    return [(row, _is_here(catalogue, row, file_systems)) for row in catalogue.shelves()]


def _is_here(catalogue: Catalogue, shelf: ShelfRow, file_systems: FileSystems) -> bool:
    try:
        if not shelf.root.is_dir():
            return False
    except OSError:
        return False
    rows = catalogue.images(shelf=shelf.name)
    if any(os.path.lexists(row.file) for row in rows):
        return True
    absences = Absences(shelf.root, file_systems, ())
    # An empty mount point, say: each file system that held images is another now.
    expected = [row for row in rows if row.presence is not Presence.MISSING]
    is_away = [absences.judge(row.path, row.file_system)[0] is Presence.AWAY for row in expected]
    is_other = other_folder(catalogue.db, shelf.root, rows, file_systems)
    return not (is_away and all(is_away)) and not is_other


class Forgetting(Struct, frozen=True):
    """What is to be forgotten: a shelf with all its images, or only its missing ones."""

    shelf: ShelfRow
    image_count: int
    only_missing: bool


def plan_forgetting(catalogue: Catalogue, name: str, *, only_missing: bool) -> Forgetting:
    """Return what would be forgotten of a shelf; nothing is changed."""
    shelf = catalogue.shelf(name)
    missing = len(catalogue.images(shelf=name, state="missing"))
    return Forgetting(shelf, missing if only_missing else shelf.image_count + missing, only_missing)


def forget(catalogue: Catalogue, planned: Forgetting) -> int:
    """Forget it, and return how many images that were."""
    if planned.only_missing:
        return forget_missing(catalogue, planned.shelf.name)
    return drop_shelf(catalogue, planned.shelf.name)
