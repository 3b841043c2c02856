"""Is the folder in a shelf's place the shelf? An empty or foreign one must not be taken for it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.scanning.presence import Absences, FileSystems
from mediashelf.catalogue.scanning.walk import walk_folder

_FEWEST = 2  # images that must be gone at once before a folder is taken for another one


def other_folder(root: Path, rows: Sequence[ImageRow], file_systems: FileSystems) -> str:
    """Say that the folder in a shelf's place has nothing of it, or nothing.

    ``rows`` are the shelf's images. Of one image alone nobody can tell: it may have been
    deleted. One with the size of another may be that image at a new place, so it counts.
    """
    expected = [row for row in rows if row.presence is not Presence.MISSING]
    if len(expected) < _FEWEST or any(os.path.lexists(row.file) for row in expected):
        return ""
    walk = walk_folder(root, file_systems)
    sizes = {size for row in expected for size in sizes_of(row)}
    if walk.problem or walk.unread_folders or sizes & {each.size for each in walk.images.values()}:
        return ""
    absences = Absences(root, file_systems, ())
    if any(absences.judge(row.path, row.file_system)[0] is Presence.AWAY for row in expected):
        return ""  # the file system tells already that its disk is away
    return f"this does not look like the shelf: none of its {len(expected):,} images is here"


def sizes_of(row: ImageRow) -> set[int]:
    """Return the sizes that an image's file may have: on record, and of bytes that wait."""
    return {row.size, row.waiting.size if row.waiting is not None else row.size}
