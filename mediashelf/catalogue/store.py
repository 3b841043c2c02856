"""Opening the catalogue, and the questions that it answers."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from mediashelf.catalogue import images
from mediashelf.catalogue.records.error_words import in_words, is_full
from mediashelf.catalogue.records.opening import connect, connect_to_nothing, connect_to_read
from mediashelf.catalogue.records.reading import ContentError, reads_catalogue, require_types
from mediashelf.catalogue.rows import ImageRow, ShelfRow, kept_path
from mediashelf.catalogue.schema import (
    APPLICATION_ID,
    OLDEST_SQLITE,
    STEPS,
    migrate,
    refuse_foreign,
    schema_version,
)
from mediashelf.catalogue.upgrading import upgrading
from mediashelf.errors import CatalogueError, InputError
from mediashelf.places import catalogue_place
from mediashelf.text import close_names, did_you_mean

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

_CACHE_KIB = 64 * 1024  # the name index is written at random places


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

    def images(
        self,
        *,
        shelf: str | None = None,
        kind: str | None = None,
        label: str | None = None,
        state: str | None = None,
        with_digests: bool = True,
    ) -> list[ImageRow]:
        """Return the images that fit every filter, by shelf and path.

        ``kind`` is a volume kind, ``raw`` or ``sheet``; ``label`` is a part of a
        label, letter case aside; ``state`` is a word of ``rows.STATES``. Without
        ``with_digests`` the rows have neither digests nor their dates, which take as long
        to read as all the rest. Raises :class:`InputError` for an unknown shelf.
        """
        shelf_id = self.shelf(shelf).id if shelf is not None else None
        return images.matching(
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
    _refuse_old_sqlite()
    try:
        exists = place.exists()
        if not exists:
            _refuse_mistyped(place)
        exists = create or exists
        if create:
            _make_folder(place.parent)
            _make_private(place)
        if exists:
            db, can_write = _open(place, wait_seconds, must_write=create)
        else:
            db, can_write = _prepared(connect_to_nothing(), place, can_write=True)
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


def _refuse_mistyped(place: Path) -> None:
    """Raise where a catalogue of nearly this name is in the folder: that one is meant."""
    try:
        others = [path for path in place.parent.iterdir() if ".version-" not in path.name]
    except OSError:
        return
    stems = close_names(place.stem, {path.stem.lower() for path in others})
    by_nearness = sorted(
        (path for path in others if path.stem.lower() in stems),
        key=lambda path: (stems.index(path.stem.lower()), path.name),
    )
    near = next((path.name for path in by_nearness if _is_ours(place, path.name)), None)
    if near is not None:
        raise CatalogueError(
            f"{place}: there is no such catalogue; did you mean {near!r}? To begin another one "
            "under this name, make an empty file of that name first"
        )


def _is_ours(place: Path, name: str) -> bool:
    """Tell whether a file beside it is a catalogue (SQLite file format, 1.3.16)."""
    path = place.with_name(name)
    try:
        if not path.is_file():
            return False
        with path.open("rb") as stream:
            head = stream.read(72)
    except OSError:
        return False
    return head[68:72] == APPLICATION_ID.to_bytes(4, "big")


def _refuse_old_sqlite() -> None:
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        needed = ".".join(map(str, OLDEST_SQLITE))
        raise CatalogueError(
            f"this Python comes with SQLite {sqlite3.sqlite_version}; the catalogue needs {needed} "
            "or later"
        )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CatalogueError(
            f"{folder}: this folder for the catalogue cannot be made: {error.strerror or error}"
        ) from error


def _make_private(place: Path) -> None:
    """Make a new catalogue that its owner alone can read: it tells what somebody owns."""
    try:
        number = os.open(place, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600)
    except OSError:
        return  # it is there already; or SQLite will say what is wrong
    try:
        place.chmod(0o600)  # whatever the umask took away
    finally:
        os.close(number)


def _is_writable(place: Path) -> bool:
    """Tell whether SQLite can write the file, and others beside it."""
    return all(os.access(path, os.W_OK) for path in (place.parent, place) if path.exists())


def _open(place: Path, wait_seconds: float, *, must_write: bool) -> tuple[sqlite3.Connection, bool]:
    """Open a file, and tell whether it can be written; a full disk still lets it be read."""
    if _is_writable(place):
        try:
            return _prepared(connect(place, wait_seconds), place, can_write=True)
        except sqlite3.OperationalError:
            if must_write or not is_full(place):
                raise
    return _prepared(connect_to_read(place, wait_seconds), place, can_write=False)


def _prepared(
    db: sqlite3.Connection, place: Path, *, can_write: bool
) -> tuple[sqlite3.Connection, bool]:
    try:
        _prepare(db, place, can_write)
    except BaseException:
        db.close()
        raise
    return db, can_write


def _prepare(db: sqlite3.Connection, place: Path, can_write: bool) -> None:
    """Check that the file is ours and bring it up to date."""
    refuse_foreign(db, str(place))
    db.execute("PRAGMA foreign_keys = ON")
    db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    if can_write:
        # Where the file system cannot do WAL (some network shares), SQLite keeps its older mode.
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        version = schema_version(db)
        if 0 < version < len(STEPS):
            from mediashelf.catalogue.steps.copying import keep_before_steps  # rarely needed

            with upgrading():
                keep_before_steps(db, place, version)
                migrate(db)
        else:
            migrate(db)
    elif schema_version(db) < len(STEPS):
        raise CatalogueError(
            f"{place}: must be brought up to date first, and cannot be written; run any command "
            "once where it can"
        )
