"""Opening a catalogue file: found, refused or made, brought up to date; to write it or to read it.

A file in WAL mode wants two others beside it: the log, whose pages count before those of the
file, and its index, which is made anew when it is gone ("Write-Ahead Logging" of SQLite's
documentation, 5 and 8). A rollback journal has pages that must be put back first
("File Locking And Concurrency In SQLite Version 3", 4.0).
"""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path, PurePath

from mediashelf.catalogue.records.error_words import is_full
from mediashelf.catalogue.records.reading import CheckedConnection
from mediashelf.catalogue.schema import (
    APPLICATION_ID,
    OLDEST_SQLITE,
    STEPS,
    migrate,
    refuse_foreign,
    schema_version,
)
from mediashelf.catalogue.steps.upgrading import upgrading
from mediashelf.errors import CatalogueError
from mediashelf.system import sqlite_without_locks
from mediashelf.text import close_names

_CACHE_KIB = 64 * 1024  # the name index is written at random places


def open_file(
    place: Path, wait_seconds: float, *, create: bool
) -> tuple[sqlite3.Connection, bool, bool]:
    """Return a connection, whether there is a file, and whether it can be written.

    Without a file, and unless one is to be made, an empty catalogue in memory stands in.
    Raises :class:`CatalogueError`, and what SQLite and the system refuse.
    """
    _refuse_old_sqlite()
    exists = place.exists()
    if not exists:
        _refuse_mistyped(place)
    if create:
        _make_folder(place.parent)
        _make_private(place)
    if create or exists:
        db, can_write = _open(place, wait_seconds, must_write=create)
        return db, True, can_write
    db, can_write = _prepared(_connect(":memory:", 0), place, can_write=True)
    return db, False, can_write


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
            # As a URI, so that a name like "file:x?mode=memory" is a name.
            db = _connect(as_uri(place.absolute()), wait_seconds)
            return _prepared(db, place, can_write=True)
        except sqlite3.OperationalError:
            if must_write or not is_full(place):
                raise
    return _prepared(_connect_to_read(place, wait_seconds), place, can_write=False)


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


def _connect_to_read(place: Path, wait_seconds: float) -> sqlite3.Connection:
    """Open a catalogue where neither it nor a file beside it can be written.

    A transaction that must be undone first comes out as SQLite's error when it is read.
    """
    uri = f"{as_uri(place.absolute())}?mode=ro"
    if place.with_name(f"{place.name}-journal").exists():
        return _connect(uri, wait_seconds)
    log = place.with_name(f"{place.name}-wal")
    if not log.exists():
        return _connect(f"{uri}&immutable=1", wait_seconds)
    db = _connect(uri, wait_seconds)  # another user's run may be writing it now
    try:
        db.execute("SELECT count(*) FROM sqlite_schema")
    except sqlite3.OperationalError as error:
        db.close()
        # Without an index there is no such run. The log is read without one by who has the
        # file alone, which this says without locks, as these cannot be had.
        if not error.sqlite_errorname.startswith(("SQLITE_CANTOPEN", "SQLITE_IOERR")):
            raise
        if not log.stat().st_size:
            return _connect(f"{uri}&immutable=1", wait_seconds)
        db = _connect(f"{uri}&vfs={sqlite_without_locks()}", wait_seconds)
        db.execute("PRAGMA locking_mode = EXCLUSIVE")
    return db


def as_uri(place: PurePath) -> str:
    """Return a path as SQLite takes it."""
    uri = place.as_uri()  # "URI Filenames In SQLite", 3.1: no share of Windows as authority
    return uri if uri.startswith("file:///") else "file:////" + uri.removeprefix("file://")


def _connect(name: str, wait_seconds: float) -> sqlite3.Connection:
    return sqlite3.connect(
        name,
        uri=True,
        isolation_level=None,
        timeout=wait_seconds,
        check_same_thread=True,
        factory=CheckedConnection,
    )
