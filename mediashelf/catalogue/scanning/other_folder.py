"""Is the folder in a shelf's place the shelf? An empty or foreign one must not be taken for it."""

from __future__ import annotations

import os
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path

from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.scanning.walk import walk_folder
from mediashelf.errors import InputError

_Stamp = tuple[int, int, int] | None

_FEWEST = 2  # images that must be gone at once before a folder is taken for another one


class ShelvesThere:
    """The shelves in whose place no other folder was found, as long as the same holds there.

    That takes all images of a shelf and perhaps a walk, and is asked for each image that moved.
    """

    def __init__(self) -> None:
        self._signs: dict[int, tuple[Path, _Stamp]] = {}

    def is_known(self, shelf_id: int) -> bool:
        """Whether what told it of this shelf is still as it was."""
        path, stamp = self._signs.get(shelf_id, (Path(), None))
        return stamp is not None and _stamp(path) == stamp

    def note(self, shelf_id: int, root: Path, rows: Iterable[ImageRow]) -> None:
        """Remember one of the shelf's images that is at its place, else how its folder is now."""
        files = (row.file for row in rows)
        sign = next((file for file in files if os.path.lexists(file)), root)
        self._signs[shelf_id] = sign, _stamp(sign)


def other_folder(
    db: sqlite3.Connection, root: Path, rows: Sequence[ImageRow], file_systems: FileSystems
) -> str:
    """Say that the folder in a shelf's place has nothing of it, or nothing.

    ``rows`` are the shelf's images. Of one image alone nobody can tell: it may have been
    deleted. A file of the size of one may be that image at a new place, unless its first MiB
    is another: floppies all have one size.
    """
    expected = [row for row in rows if row.presence is not Presence.MISSING]
    if len(expected) < _FEWEST or any(os.path.lexists(row.file) for row in expected):
        return ""
    walk = walk_folder(root, file_systems)
    if walk.problem or walk.unread_folders:
        return ""
    alike: defaultdict[int, list[ImageRow]] = defaultdict(list)
    for row in expected:
        for size in sizes_of(row):
            alike[size].append(row)
    for seen in walk.images.values():
        if seen.size in alike and _may_be_one(db, root / seen.path, alike[seen.size]):
            return ""
    absences = Absences(root, file_systems, ())
    if any(absences.judge(row.path, row.file_system)[0] is Presence.AWAY for row in expected):
        return ""  # the file system tells already that its disk is away
    return f"this does not look like the shelf: none of its {len(expected):,} images is here"


def _stamp(path: Path) -> _Stamp:
    try:
        status = path.lstat()
    except OSError:
        return None
    return status.st_dev, status.st_ino, status.st_mtime_ns


def _may_be_one(db: sqlite3.Connection, file: Path, rows: Sequence[ImageRow]) -> bool:
    """Tell whether a file may be one of the images that have its size."""
    # Loaded only where a shelf's images are all gone.
    from mediashelf.integrity.fixity.digests import BLOCK_DIGEST_SIZE, BLOCK_SIZE, block_digest

    try:
        with file.open("rb") as stream:
            first = block_digest(stream.read(BLOCK_SIZE))
    except OSError:
        return True
    for row in rows:
        known = db.execute(
            "SELECT substr(digests, 1, ?) FROM block_digests WHERE image_id = ? AND block_size = ?",
            [BLOCK_DIGEST_SIZE, row.id, BLOCK_SIZE],
        ).fetchone()
        if known is None or known[0] == first or _waits(row, file):
            return True
    return False


def _waits(row: ImageRow, file: Path) -> bool:
    """Tell whether a file has the bytes that wait beside a record; of those no block is kept."""
    if row.waiting is None or not row.waiting.digests:
        return False
    from mediashelf.integrity.fixity.reading import digest_file

    try:
        found = digest_file(file, algorithms=row.waiting.digests, block_size=0)
    except InputError:
        return True
    return row.waiting.has(found.whole)


def sizes_of(row: ImageRow) -> set[int]:
    """Return the sizes that an image's file may have: on record, and of bytes that wait."""
    return {row.size, row.waiting.size if row.waiting is not None else row.size}
