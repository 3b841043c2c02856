"""The catalogue, and the questions that it answers."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from mediashelf.catalogue import images
from mediashelf.catalogue.opening import open_file
from mediashelf.catalogue.records.error_words import in_words
from mediashelf.catalogue.records.reading import ContentError, reads_catalogue, require_types
from mediashelf.catalogue.rows import ImageRow, ShelfRow, kept_path
from mediashelf.errors import CatalogueError, InputError
from mediashelf.places import catalogue_place
from mediashelf.text import did_you_mean

if TYPE_CHECKING:
    from mediashelf.catalogue.search import SearchAnswer

WAIT_SECONDS = 10.0
"""How long a write waits for another run that writes the same catalogue."""

_SHELF_KINDS = (int, str, bytes, str, str | None, int, int)

_COUNTED = """
    count(images.id), coalesce(sum(images.size), 0)
    FROM shelves LEFT JOIN images ON images.shelf_id = shelves.id AND images.presence != 'missing'
    GROUP BY shelves.id
"""


class Catalogue:
    """An open catalogue, for one thread. Made by :func:`open_catalogue`.

    Its methods answer questions; what writes is in the modules beside this one.
    ``exists`` is False when there is no file yet and an empty catalogue stands in for
    it; ``can_write`` is False where the file can only be read.
    """

    def __init__(
        self, db: sqlite3.Connection, place: Path, *, exists: bool, can_write: bool
    ) -> None:
        self.db = db
        self.place = place
        self.exists = exists
        self.can_write = can_write

    @reads_catalogue
    def shelves(self, *, with_counts: bool = True) -> list[ShelfRow]:
        """Return every shelf, by name, with number and size of its images that are not missing.

        Without ``with_counts`` both are 0: to count means to read all images.
        """
        counted = _COUNTED if with_counts else "0, 0 FROM shelves"
        rows = self.db.execute(
            f"SELECT shelves.id, name, root, added_at, shelves.scanned_at, {counted} ORDER BY name"
        )
        shelves = []
        for row in rows:
            require_types(row, _SHELF_KINDS)
            if b"\0" in row[2]:
                raise ContentError("a path has a NUL in it")
            shelves.append(ShelfRow(row[0], row[1], Path(kept_path(row[2])), *row[3:]))
        return shelves

    def shelf(self, name: str) -> ShelfRow:
        """Return the shelf of this name; raises :class:`InputError` that names the nearest."""
        shelves = self.shelves()
        for row in shelves:
            if row.name.lower() == name.lower():
                return row
        near = did_you_mean(name, [row.name for row in shelves])
        known = ", ".join(row.name for row in shelves) or "none; mediashelf shelf add registers one"
        raise InputError(f"no shelf is called {name!r}{near} (shelves: {known})")

    def needed_shelves(self, work: str) -> list[ShelfRow]:
        """Return every shelf, without counts.

        Raises :class:`CatalogueError` where none is there to ``work`` on.
        """
        shelves = self.shelves(with_counts=False)
        if not shelves:
            raise CatalogueError(
                f"{self.place}: has no shelf to {work}; register one with: "
                "mediashelf shelf add FOLDER"
            )
        return shelves

    def images(self, *, shelf: str | None = None, state: str | None = None) -> list[ImageRow]:
        """Return the images that fit, by shelf and path; see :meth:`iter_images`."""
        return list(chain.from_iterable(self.iter_images(shelf=shelf, state=state)))

    def iter_images(
        self,
        *,
        shelf: str | None = None,
        kind: str | None = None,
        label: str | None = None,
        state: str | None = None,
        with_digests: bool = True,
    ) -> Iterator[list[ImageRow]]:
        """Yield the images that fit every filter, by shelf and path, some thousands at once.

        ``kind`` is a volume kind, ``raw`` or ``sheet``; ``label`` is a part of a
        label, letter case aside; ``state`` is a word of ``rows.STATES``. Without
        ``with_digests`` the rows have neither digests nor their dates, which take as long
        to read as all the rest. Raises :class:`InputError` for an unknown shelf.
        """
        shelf_id = self.shelf(shelf).id if shelf is not None else None
        return images.iter_matching(
            self.db,
            shelf_id=shelf_id,
            kind=kind,
            label=label,
            state=state,
            with_digests=with_digests,
        )

    def waiting_on(self, shelf: ShelfRow) -> list[ImageRow]:
        """Return the images on a shelf whose bytes wait for the keeper's word."""
        return images.waiting_here(self.db, shelf.id)

    def image_by_path(self, path: Path) -> ImageRow | None:
        """Return the image whose file this is, or None."""
        return images.by_file(self.db, self.shelves(with_counts=False), path)

    def images_by_digest(self, digest: str) -> list[ImageRow]:
        """Return every image with this digest (hexadecimal, any algorithm) in force."""
        return images.by_digest(self.db, digest)

    def find(self, text: str, *, limit: int = 50, shelf: str | None = None) -> SearchAnswer:
        """Find entries inside all images by name; see :func:`search.find`."""
        shelf_id = self.shelf(shelf).id if shelf is not None else None
        from mediashelf.catalogue import search  # its rules are loaded when names are asked for

        return search.find(self.db, text, limit=limit, shelf_id=shelf_id)


@contextmanager
def open_catalogue(
    path: Path | None = None, *, create: bool = False, wait_seconds: float = WAIT_SECONDS
) -> Iterator[Catalogue]:
    """Open the catalogue at ``path``, by default the one in the user's data folder.

    Where there is no file yet, ``create`` makes one; without it an empty
    catalogue that is never written stands in. An older file is brought up to
    date. A file that cannot be written, or whose disk is full, can still be asked.
    What SQLite refuses inside the block comes out as :class:`CatalogueError`.
    """
    place = catalogue_place(path)
    try:
        db, exists, can_write = open_file(place, wait_seconds, create=create)
        try:
            yield Catalogue(db, place, exists=exists, can_write=can_write)
        finally:
            db.close()
    except sqlite3.Error as error:
        raise CatalogueError(in_words(place, error)) from error
    except PermissionError as error:
        if error.filename not in (str(place), place):
            raise
        raise CatalogueError(
            f"{place}: you may not read it; choose another with --catalogue"
        ) from error
