"""Connections to a catalogue file: to write it, or to read it where nothing can be written.

A file in WAL mode wants two others beside it: the log, whose pages count before those of the
file, and its index, which is made anew when it is gone ("Write-Ahead Logging" of SQLite's
documentation, 5 and 8). A rollback journal has pages that must be put back first
("File Locking And Concurrency In SQLite Version 3", 4.0).
"""

from __future__ import annotations

import sqlite3
from pathlib import Path, PurePath

from mediashelf.catalogue.records.reading import CheckedConnection
from mediashelf.system import sqlite_without_locks


def connect(place: Path, wait_seconds: float) -> sqlite3.Connection:
    """Open a catalogue to write it."""
    # As a URI, so that a name like "file:x?mode=memory" is a name.
    return _connect(as_uri(place.absolute()), wait_seconds)


def connect_to_nothing() -> sqlite3.Connection:
    """Open an empty catalogue in memory."""
    return _connect(":memory:", 0)


def connect_to_read(place: Path, wait_seconds: float) -> sqlite3.Connection:
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
