"""Whose bytes are these? An image at a place without a record, known again by its contents.

A record follows its bytes to another place. Bytes that contradict a record (they wait
beside it, or have the name, size and label of an image that is no longer there) take
that record with them too: what was found decayed does not become new elsewhere.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Sequence
from itertools import takewhile
from pathlib import Path, PurePosixPath

from mediashelf.catalogue import images
from mediashelf.catalogue.records.waiting import ids_waiting_with
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.scanning.other_folder import other_folder
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.catalogue.scanning.values import Reading


def by_likeness(rows: Sequence[ImageRow], shelf: str, path: str) -> list[ImageRow]:
    """Order the images that this may have been: the longest equal end of the path comes first."""
    return sorted(rows, key=lambda row: (-_equal_end(row.path, path), row.shelf != shelf, row.id))


def _equal_end(one: str, other: str) -> int:
    """Return how many names the ends of two paths have in common."""
    parts = [PurePosixPath(path).parts[::-1] for path in (one, other)]
    equal = (first == second for first, second in zip(*parts, strict=False))
    return sum(1 for _ in takewhile(bool, equal))


def has_left(db: sqlite3.Connection, row: ImageRow) -> bool:
    """Tell whether a record's file is no longer at its place, so that the record may follow it.

    An image that is away may still be there. A file of the same size there was
    perhaps only touched, so it keeps its record.
    """
    if row.presence is Presence.AWAY:
        return False
    sizes = {row.size, row.waiting.size} if row.waiting is not None else {row.size}
    try:
        return row.file.stat().st_size not in sizes
    except (FileNotFoundError, NotADirectoryError):
        # A shelf that this run did not walk may have gone away since.
        return row.presence is Presence.MISSING or (
            FileSystems().nearest(os.path.realpath(row.file)) == row.file_system
            and not _is_shelf_away(db, row)
        )
    except OSError:
        return False


def _is_shelf_away(db: sqlite3.Connection, row: ImageRow) -> bool:
    """Tell whether another folder is in the place of an image's shelf; its images are away then."""
    ids = db.execute(
        "SELECT id FROM images WHERE presence = 'here' "
        "AND shelf_id = (SELECT shelf_id FROM images WHERE id = ?)",
        [row.id],
    ).fetchall()
    rows = images.by_ids(db, [one for (one,) in ids])
    if not other_folder(db, row.root, list(rows.values()), FileSystems()):
        return False
    # Noted at once, so that the next file with a record there need not ask again.
    db.executemany("UPDATE images SET presence = 'away' WHERE id = ?", ids)
    return True


def contradicted(
    db: sqlite3.Connection, shelf: str, path: str, reading: Reading
) -> ImageRow | None:
    """Return the image whose record these bytes contradict, or None.

    It is one beside whose record the same bytes wait, or one that is not at its place
    and has the name, size and label of this one.
    """
    digests = reading.digests
    if digests is None or not digests.size:
        return None
    ids = [one for digest in digests.whole.values() for one in ids_waiting_with(db, digest)]
    if ids:
        return by_likeness(list(images.by_ids(db, ids).values()), shelf, path)[0]
    labels = tuple(label for _, label in reading.volumes)
    alike = [
        row
        for row in images.by_size_and_name(db, digests.size, Path(path).name)
        if row.digests.keys() & digests.whole.keys()
        and (row.labels == labels or not reading.volumes)
        and not os.path.lexists(row.file)
    ]
    return by_likeness(alike, shelf, path)[0] if alike else None
