"""The names of the files and folders in images, image by image, for whoever takes all of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import kept_text


@reads_catalogue
def entry_names(db: sqlite3.Connection, image_id: int) -> list[tuple[str, str]]:
    """Return folder and name of every entry of an image, in its order.

    What two trees of a disc name differently comes once, under the name that is cut less.
    """
    return [(kept_text(folder), kept_text(name)) for folder, name in _iter_rows(db, image_id)]


def _iter_rows(db: sqlite3.Connection, image_id: int) -> Iterator[tuple[bytes, bytes]]:
    yield from db.execute(
        "SELECT folders.path, names.name FROM entries "
        "JOIN folders ON folders.id = folder_id JOIN names ON names.id = name_id "
        "WHERE image_id = ? AND twin IS NULL ORDER BY number",
        [image_id],
    )
