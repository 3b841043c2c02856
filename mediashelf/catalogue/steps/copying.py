"""Whole copies of a catalogue: for a backup, and before a step changes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from mediashelf.errors import CatalogueError
from mediashelf.files import whole_output

MOST_KEPT = 3
"""Copies that are kept of those made before steps; older ones are removed."""

_MAPPED = 1 << 40  # bytes at most; SQLite takes what it was built to take
_PAGES_AT_ONCE = 4096  # 16 MiB, between two words of progress


def copy_whole(
    db: sqlite3.Connection,
    output: Path,
    *,
    replace: bool = False,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> int:
    """Write a copy of an open database, and return its size; it appears whole or not at all.

    Others may write the database meanwhile: the copy is as it was at one moment (SQLite
    Online Backup API). It has been read back and found whole before it has its name. Raises
    :class:`CatalogueError` where it was not, and :class:`OutputError`.
    """
    page_size = int(db.execute("PRAGMA page_size").fetchone()[0])
    done = 0

    def count_up(status: int, remaining: int, total: int) -> None:
        nonlocal done
        now = (total - remaining) * page_size
        on_bytes(max(0, now - done))
        done = now

    with whole_output(output, replace=replace) as temporary:
        with closing(sqlite3.connect(temporary, isolation_level=None)) as copy:
            copy.execute("PRAGMA synchronous = OFF")  # flushed whole before it has its name
            with mapped(db):
                db.backup(copy, pages=_PAGES_AT_ONCE, progress=count_up, sleep=0)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, for any place
            problems = integrity_problems(copy, quick=True)
        if problems:
            raise CatalogueError(f"{output}: the copy is not whole ({problems[0]}); not kept")
        return temporary.stat().st_size


def integrity_problems(db: sqlite3.Connection, *, quick: bool = False) -> list[str]:
    """Return what SQLite's own check of the whole file says is wrong.

    A ``quick`` one reads every page and row, and does not compare tables with their
    indexes: a copy has those of its source.
    """
    with mapped(db):
        try:
            rows = db.execute(f"PRAGMA {'quick' if quick else 'integrity'}_check").fetchall()
        except sqlite3.DatabaseError as error:
            return [str(error)]
    return [str(text) for (text,) in rows if text != "ok"]


@contextmanager
def mapped(db: sqlite3.Connection) -> Iterator[None]:
    """Have the file mapped into memory: a large one is checked in a fraction of the time."""
    (before,) = db.execute("PRAGMA mmap_size").fetchone() or (0,)  # none of one in memory
    db.execute(f"PRAGMA mmap_size = {_MAPPED}")
    try:
        yield
    finally:
        db.execute(f"PRAGMA mmap_size = {before}")


def keep_before_steps(db: sqlite3.Connection, place: Path, version: int) -> Path:
    """Keep a copy of a catalogue beside it, before it becomes one of a later version."""
    moment = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    output = place.with_name(f"{place.name}.version-{version}.{moment}")
    copy_whole(db, output, replace=True)
    with suppress(OSError):
        output.chmod(0o600)
        copies = place.parent.glob(f"{_literal(place.name)}.version-[0-9]*Z")
        kept = sorted(copies, key=lambda path: path.name[-16:])  # by moment
        for old in kept[:-MOST_KEPT]:
            old.unlink()
    return output


def _literal(name: str) -> str:
    """Return a name as ``glob`` takes it, whatever characters it has."""
    return "".join(f"[{one}]" if one in "*?[" else one for one in name)
