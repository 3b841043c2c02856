"""Registering folders as shelves, and forgetting them."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from msgspec.structs import replace

from mediashelf.catalogue.records.acknowledged import keep_before_forgetting
from mediashelf.catalogue.records.entry_rows import forget_unused_folders
from mediashelf.catalogue.records.name_index import forget_unused_names
from mediashelf.catalogue.rows import ShelfRow, keep_path, utc_now
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.shelf_places import move_shelf, take_over
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import CatalogueError, InputError
from mediashelf.system import real_folder
from mediashelf.text import printable

LONGEST_NAME = 60  # so that tables stay readable


def add_shelf(catalogue: Catalogue, folder: Path, name: str = "") -> ShelfRow:
    """Register a folder tree; by default it is called as the folder is.

    The folder is kept as it was written, made absolute and without ``..``: a link in it is
    followed at every scan. Shelves inside the folder become a part of this one, with all their
    records. Raises :class:`InputError` for a folder that cannot be read, and for a name
    that is taken or not allowed, and :class:`CatalogueError` for a folder
    that is in another shelf: its images would be recorded twice.
    """
    root, real = _readable_folder(folder)
    shelves = catalogue.shelves()
    for shelf in shelves:
        _refuse_inside(real, folder, shelf)
    inner = shelves_inside(catalogue, folder)
    taken = {shelf.name.lower() for shelf in shelves if shelf not in inner}
    if name:
        _refuse_name(name, taken)
    else:
        name = _free_name(root, taken)
    db = catalogue.db
    with transaction(db):
        for shelf in inner:  # names are unique; these end with the transaction
            db.execute("UPDATE shelves SET name = ? WHERE id = ?", [f"/{shelf.id}", shelf.id])
        (shelf_id,) = db.execute(
            "INSERT INTO shelves (name, root, added_at) VALUES (?, ?, ?) RETURNING id",
            [name, keep_path(root), utc_now()],
        ).fetchone()
        for shelf in inner:
            take_over(catalogue, replace(shelf, name=f"/{shelf.id}"), shelf_id, real)
    return catalogue.shelf(name)


def shelves_inside(catalogue: Catalogue, folder: Path) -> list[ShelfRow]:
    """Return the shelves whose folders are in this one."""
    real = real_folder(folder)
    roots = ((shelf, real_folder(shelf.root)) for shelf in catalogue.shelves())
    return [shelf for shelf, root in roots if root != real and root.is_relative_to(real)]


def move_to(catalogue: Catalogue, name: str, folder: Path) -> tuple[ShelfRow, int]:
    """Let a shelf follow its disk to another folder; return it, and how many images are there."""
    shelf = catalogue.shelf(name)
    root, real = _readable_folder(folder)
    for other in catalogue.shelves():
        if other.id != shelf.id:
            _refuse_inside(real, folder, other)
    around = [other for other in shelves_inside(catalogue, folder) if other.id != shelf.id]
    if around:
        raise CatalogueError(
            f"{folder}: holds the shelf {around[0].name!r} ({around[0].root}); drop that one first"
        )
    found = move_shelf(catalogue, shelf, root)
    return catalogue.shelf(name), found


def _readable_folder(folder: Path) -> tuple[Path, Path]:
    """Return a folder made absolute, and the place that its links lead to."""
    root = folder.resolve() if ".." in folder.parts else folder.absolute()
    try:
        next(root.iterdir(), None)
        return root, real_folder(root.resolve(strict=True))
    except OSError as error:
        raise InputError(
            f"{folder}: is not a readable folder: {error.strerror or error}"
        ) from error


def _refuse_inside(real: Path, folder: Path, shelf: ShelfRow) -> None:
    other = real_folder(shelf.root)
    if real == other:
        raise CatalogueError(f"{folder}: is already the shelf {shelf.name!r}")
    if real.is_relative_to(other):
        raise CatalogueError(
            f"{folder}: is inside the shelf {shelf.name!r} ({shelf.root}), which covers it already"
        )


def name_problem(name: str) -> str:
    """Say why a shelf cannot be called so, or nothing."""
    if name != name.strip() or printable(name) != name or "/" in name or "\\" in name:
        return (
            f"{name!r} is not a valid name for a shelf: it may not contain slashes or control "
            "characters, or begin or end with a space"
        )
    if len(name) > LONGEST_NAME:
        return f"a shelf's name has {LONGEST_NAME} characters at most"
    return ""


def _refuse_name(name: str, taken: set[str]) -> None:
    problem = name_problem(name)
    if not problem and name.lower() in taken:
        problem = f"a shelf is called {name!r} already; choose another with --name"
    if problem:
        raise InputError(problem)


def _free_name(root: Path, taken: set[str]) -> str:
    base = printable(root.name).replace("\\", "_").strip()[: LONGEST_NAME - 5] or "shelf"
    name, number = base, 1
    while name.lower() in taken:
        number += 1
        name = f"{base}-{number}"
    return name


def drop_shelf(catalogue: Catalogue, name: str) -> int:
    """Forget a shelf and all records of its images; no image is touched.

    Returns the number of images forgotten.
    """
    shelf = catalogue.shelf(name)
    db = catalogue.db
    with transaction(db):
        count = _forget_images(db, "shelf_id = ?", shelf.id)
        db.execute("DELETE FROM shelves WHERE id = ?", [shelf.id])
    return count


def forget_missing(catalogue: Catalogue, name: str) -> int:
    """Forget the records of a shelf's missing images, and return how many that were."""
    shelf = catalogue.shelf(name)
    with transaction(catalogue.db):
        return _forget_images(catalogue.db, "shelf_id = ? AND presence = 'missing'", shelf.id)


def _forget_images(db: sqlite3.Connection, where: str, shelf_id: int) -> int:
    name_ids = db.execute(
        "SELECT DISTINCT name_id FROM entries WHERE image_id IN "
        f"(SELECT id FROM images WHERE {where})",
        [shelf_id],
    ).fetchall()
    keep_before_forgetting(db, where, shelf_id)
    count = db.execute(f"DELETE FROM images WHERE {where}", [shelf_id]).rowcount
    forget_unused_names(db, name_ids)
    forget_unused_folders(db)
    return count
