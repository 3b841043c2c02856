"""Registering a folder as a shelf: new, around others, or a known disk at another place."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mediashelf.catalogue.rows import ShelfRow
from mediashelf.catalogue.shelf_places import lookalike, same_disk
from mediashelf.catalogue.shelves import add_shelf, move_to, shelves_inside
from mediashelf.catalogue.store import Catalogue


@dataclass(frozen=True, slots=True)
class Registered:
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
