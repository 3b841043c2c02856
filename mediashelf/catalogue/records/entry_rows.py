"""Rows of the entries of an image, and of the folders that they are in: written, and all read."""

from __future__ import annotations

import sqlite3
from itertools import count, repeat

from mediashelf.catalogue.records.listed_entries import ListedEntries
from mediashelf.catalogue.records.name_index import record_names
from mediashelf.catalogue.records.reading import notes_of, reads_catalogue
from mediashelf.catalogue.rows import keep_text, kept_text
from mediashelf.text import fold


def add_entries(db: sqlite3.Connection, image_id: int, listing: ListedEntries) -> None:
    """Record the entries of an image, whose number ``image_id`` is; none are on record yet."""
    folder_ids: dict[int, int] = {}
    for start, names in listing.iter_names():  # part by part: there can be millions
        end = start + len(names)
        folders = listing.folders[start:end]
        for folder in dict.fromkeys(folders):
            if folder not in folder_ids:
                folder_ids[folder] = _folder_id(db, listing.paths[folder])
        db.executemany(
            "INSERT INTO entries (image_id, number, folder_id, name_id, size, marks, twin) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            zip(
                repeat(image_id),
                count(start),
                map(folder_ids.__getitem__, folders),
                map(record_names(db, dict.fromkeys(names)).__getitem__, names),
                listing.sizes[start:end],
                listing.marks[start:end],
                listing.twins(start, end),
            ),
        )


def _folder_id(db: sqlite3.Connection, path: str) -> int:
    notes = notes_of(db)
    if notes is None:
        return _ask_folder_id(db, path)
    known = notes.folder_ids.get(path)
    if known is None:
        known = notes.folder_ids[path] = _ask_folder_id(db, path)
    return known


def _ask_folder_id(db: sqlite3.Connection, path: str) -> int:
    kept = keep_text(path)
    known = db.execute("SELECT id FROM folders WHERE path = ?", [kept]).fetchone()
    if known is None:
        known = db.execute(
            "INSERT INTO folders (folded, path) VALUES (?, ?) RETURNING id", [fold(path), kept]
        ).fetchone()
    return int(known[0])


def forget_unused_folders(db: sqlite3.Connection) -> None:
    """Remove the paths of folders that no entry is in any more; looks at every entry."""
    db.execute("DELETE FROM folders WHERE id NOT IN (SELECT folder_id FROM entries)")
    notes = notes_of(db)
    if notes is not None:
        notes.folder_ids.clear()


@reads_catalogue
def entry_names(db: sqlite3.Connection, image_id: int) -> list[tuple[str, str]]:
    """Return folder and name of every entry of an image, in its order.

    What two trees of a disc name differently comes once, under the name that is cut less.
    """
    rows = db.execute(
        "SELECT folders.path, names.name FROM entries "
        "JOIN folders ON folders.id = folder_id JOIN names ON names.id = name_id "
        "WHERE image_id = ? AND twin IS NULL ORDER BY number",
        [image_id],
    )
    return [(kept_text(folder), kept_text(name)) for folder, name in rows]
