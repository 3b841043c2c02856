"""Images with equal bytes on record, wherever they are: groups, and what they take up.

Nothing here deletes anything, or says which copy to part with.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable

from msgspec import Struct

from mediashelf.catalogue.images import by_digest
from mediashelf.catalogue.rows import ImageRow, Presence

DIGEST = "xxh3_128"
"""The digest that every record has."""


class EqualImages(Struct, frozen=True):
    """Images with equal bytes on record, by shelf and path; at least two.

    ``links`` are those whose file is also the file of an image before it: they take up
    nothing. ``to_free`` is what all but one of the others take up.
    """

    images: tuple[ImageRow, ...]
    links: frozenset[int]

    @property
    def size(self) -> int:
        """The size of one copy."""
        return self.images[0].size

    @property
    def to_free(self) -> int:
        """The bytes that would be free if one copy stayed."""
        return self.size * (len(self.images) - len(self.links) - 1)

    @property
    def confirmed_last(self) -> ImageRow:
        """The copy of which the bytes were last seen to be as recorded."""
        return max(self.images, key=lambda row: row.confirmed_at)

    @property
    def media(self) -> int:
        """On how many file systems the copies are, as far as the last scan could tell."""
        return len({row.file_system or row.shelf for row in self.images})


def content_key(row: ImageRow) -> str:
    """Return a text that is equal for images with equal bytes on record, empty without a digest.

    Bytes that wait to be accepted are others than those on record.
    """
    digest = row.digests.get(DIGEST, "")
    return f"{row.size} {digest}" if digest and row.waiting is None else ""


Alike = dict[str, list[ImageRow]]
"""The images with a digest, by it; what was asked once stays, for whoever asks of many images."""


def copies_of(db: sqlite3.Connection, row: ImageRow, alike: Alike | None = None) -> list[ImageRow]:
    """Return the other images with the bytes on record of this one, by shelf and path.

    Also missing ones, but none with other bytes that wait; this one may have such. Empty files
    and cue sheets have no copies, as in :func:`find_copies_among`.
    """
    return copies_of_each(db, [row], alike)[row.id]


def copies_of_each(
    db: sqlite3.Connection, rows: Iterable[ImageRow], alike: Alike | None = None
) -> dict[int, list[ImageRow]]:
    """Return for each of these, by its id, what :func:`copies_of` does; asks once a digest."""
    alike = {} if alike is None else alike
    alike.setdefault("", [])
    found = {}
    for row in rows:
        digest = row.digests.get(DIGEST, "") if row.size and not row.is_sheet else ""
        if digest not in alike:
            alike[digest] = [each for each in by_digest(db, digest) if content_key(each)]
        found[row.id] = [each for each in alike[digest] if each.id != row.id]
    return found


def find_copies_among(rows: Iterable[ImageRow]) -> list[EqualImages]:
    """Return the groups of equal images among these, those with most to free first.

    Missing images are left out, they take up nothing; so are cue sheets, which are equal
    wherever two discs have files of equal names, and empty files.
    """
    groups: dict[str, list[ImageRow]] = {}
    for row in rows:
        key = content_key(row)
        if key and row.size and not row.is_sheet and row.presence is not Presence.MISSING:
            groups.setdefault(key, []).append(row)
    found = [
        EqualImages(tuple(group), _links(group)) for group in groups.values() if len(group) > 1
    ]
    return sorted(found, key=lambda each: -each.to_free)


def _links(group: Iterable[ImageRow]) -> frozenset[int]:
    """Return the ids of images that are one file with an earlier one: a link to it."""
    seen: set[tuple[int, int]] = set()
    links = set()
    for row in group:
        if row.presence is not Presence.HERE:
            continue
        try:
            status = os.stat(row.file)  # noqa: PTH116  # Path.stat takes twice as long
        except (OSError, ValueError):
            continue
        place = (status.st_dev, status.st_ino)
        if status.st_ino and place in seen:
            links.add(row.id)
        seen.add(place)
    return frozenset(links)
