"""What SQLite's errors mean for the person, and what to do."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from mediashelf.catalogue.records.reading import ContentError

_BESIDE = 64 * 1024  # bytes: the index of a write-ahead log takes half of it (SQLite WAL format)


def is_full(place: Path) -> bool:
    """Tell whether the disk has no room for the files that SQLite keeps beside a catalogue."""
    import shutil  # rarely needed, and large

    try:
        return shutil.disk_usage(place.parent).free < _BESIDE
    except OSError:
        return False


def in_words(place: Path, error: sqlite3.Error) -> str:
    """Say what SQLite's error means for the person, and what to do."""
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{place}: another run is writing it; try again when that has ended"
    if name.startswith("SQLITE_NOTADB"):
        return (
            f"{place}: is not a catalogue, nor any SQLite database; choose another with --catalogue"
        )
    if name.startswith("SQLITE_CORRUPT") or isinstance(error, ContentError):
        return (
            f"{place}: is damaged ({error}); bring back a copy of it, or move it away, register "
            "the shelves again and scan them: the records of before are then lost"
        )
    if name.startswith("SQLITE_READONLY_ROLLBACK"):
        return (
            f"{place}: a run was broken off while it wrote it; run any command once where it can "
            f"be written, or copy it together with {place.name}-journal to such a folder"
        )
    is_refused = name.startswith(("SQLITE_IOERR", "SQLITE_READONLY"))
    if name.startswith("SQLITE_FULL") or (is_refused and is_full(place)):
        return f"{place}: the disk is full; what was finished before is kept"
    if name.startswith("SQLITE_READONLY"):
        return f"{place}: cannot be written; choose another with --catalogue"
    if name.startswith("SQLITE_CANTOPEN"):
        return f"{place}: cannot be opened ({error}); may you read it, and is it locked?"
    return f"{place}: cannot be used: {error}"
