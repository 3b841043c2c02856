"""The catalogue saved to a file, and brought back from one; the one in its place is kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue.keeping.invariants import check_opened
from mediashelf.catalogue.keeping.whole import index_problems, look_at_entries
from mediashelf.catalogue.records.reading import CheckedConnection
from mediashelf.catalogue.schema import STEPS, refuse_foreign, schema_version
from mediashelf.catalogue.steps.copying import copy_whole, integrity_problems
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import CatalogueError, InputError, OutputError
from mediashelf.files import whole_output
from mediashelf.findings import Finding, Severity

_BESIDE = ("", "-wal", "-shm")  # the files of a SQLite database


class Restored(Struct, frozen=True):
    """What came of a restore; ``kept`` is where the catalogue before it is now, or None."""

    place: Path
    size: int
    version: int
    image_count: int
    kept: Path | None


def save_catalogue(
    catalogue: Catalogue,
    output: Path,
    *,
    replace: bool = False,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> int:
    """Write a copy that is whole by SQLite's own check; return its size in bytes.

    Raises :class:`InputError` where there is no catalogue yet, and what
    :func:`copy_whole` does.
    """
    if not catalogue.exists:
        raise InputError(f"{catalogue.place}: there is no catalogue yet, so nothing to save")
    if output.exists() and output.samefile(catalogue.place):
        raise OutputError(f"{output}: is the catalogue itself; choose another name")
    if output.is_file() and not replace:
        raise OutputError(
            f"{output}: exists already; choose another name, or write over it with --replace"
        )
    return copy_whole(catalogue.db, output, replace=replace, on_bytes=on_bytes)


def restore_catalogue(source: Path, place: Path, *, replace: bool = False) -> Restored:
    """Put a saved catalogue in the place of the one in use, which is renamed and stays.

    Without ``replace`` an existing one is not touched. Raises :class:`InputError` for a
    file that is not there, :class:`CatalogueError` for one that is not a whole catalogue
    or while another run writes the one in use, and :class:`OutputError`.
    """
    if not source.is_file():
        raise InputError(f"{source}: no such file")
    if place.exists() and not replace:
        raise OutputError(
            f"{place}: a catalogue is there; --replace keeps it beside under another name"
        )
    if place.exists() and source.samefile(place):
        raise OutputError(f"{source}: is the catalogue in use")
    if place.exists():
        _refuse_busy(place)
    place.parent.mkdir(parents=True, exist_ok=True)
    kept: Path | None = None
    with closing(_open(source)) as db:
        version, count = _refuse_unfit(db, source)
        with whole_output(place, replace=True) as temporary:
            size = copy_whole(db, temporary, replace=True)
            temporary.chmod(0o600)
            if place.exists():
                kept = _set_aside(place)
    return Restored(place, size, version, count, kept)


def check_catalogue(catalogue: Catalogue) -> list[Finding]:
    """Return what is wrong with an open catalogue: by SQLite's check, and by our own rules."""
    place = str(catalogue.place)
    problems = integrity_problems(catalogue.db, quick=True)
    if not problems:
        entries = look_at_entries(catalogue.db)
        problems = index_problems(catalogue.db, entries)
        if not problems:
            return list(check_opened(catalogue.db, place, entries))
    return [
        Finding(
            "catalogue-is-whole",
            Severity.ERROR,
            place,
            problem,
            remedy="bring back a saved copy with: mediashelf catalogue restore FILE --replace",
            source="SQLite, PRAGMA integrity_check",
        )
        for problem in problems
    ]


def _open(source: Path) -> sqlite3.Connection:
    uri = source.absolute().as_uri()
    # A copy on a medium that cannot be written is taken as it stands, unless it has a
    # write-ahead log beside it that belongs to it.
    has_log = source.with_name(f"{source.name}-wal").exists()
    uri += "?mode=ro" if has_log else "?mode=ro&immutable=1"
    return sqlite3.connect(uri, uri=True, isolation_level=None, factory=CheckedConnection)


def _refuse_unfit(db: sqlite3.Connection, source: Path) -> tuple[int, int]:
    try:
        refuse_foreign(db, str(source))
        version = schema_version(db)
        if not version:
            raise CatalogueError(f"{source}: is not a catalogue, or has nothing in it")
        problems = integrity_problems(db, quick=True)
        if problems:
            raise CatalogueError(f"{source}: is damaged ({problems[0]}); nothing was replaced")
        (count,) = db.execute("SELECT count(*) FROM images").fetchone()
    except sqlite3.DatabaseError as error:
        raise CatalogueError(f"{source}: is not a catalogue ({error})") from error
    assert version <= len(STEPS)
    return version, int(count)


def _refuse_busy(place: Path) -> None:
    """Raise while another run writes the catalogue; a damaged one is not asked."""
    with closing(sqlite3.connect(place, timeout=1, isolation_level=None)) as db:
        try:
            db.execute("BEGIN EXCLUSIVE")
            db.execute("ROLLBACK")
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorname", "").startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                raise CatalogueError(
                    f"{place}: another run is using it; try again when that has ended"
                ) from error
        except sqlite3.DatabaseError:
            return


def _set_aside(place: Path) -> Path:
    """Rename a catalogue with the files that belong to it; it can be opened as it is then."""
    moment = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    kept = place.with_name(f"{place.name}.version-before-restore.{moment}")
    number = 1
    while kept.exists():
        number += 1
        kept = kept.with_name(f"{place.name}.version-before-restore.{moment}-{number}")
    for ending in reversed(_BESIDE):
        part = place.with_name(place.name + ending)
        if part.exists():
            part.rename(kept.with_name(kept.name + ending))
    return kept
