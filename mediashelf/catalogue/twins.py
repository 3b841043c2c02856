"""The images that have the bytes of one that is scanned: thousands may be copies of one image."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Sequence
from heapq import heappop, heappush

from msgspec import Struct, field

from mediashelf.catalogue import images
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, kept_path
from mediashelf.integrity.fixity.states import State

_FEW = 8  # so many are asked for anew each time


class Twin(Struct, frozen=True):
    """An image of a digest: its place, whether other bytes wait, and an audit found damage."""

    id: int
    shelf: str
    path: str
    waits: bool
    is_damaged: bool


def likeness(twin: Twin | ImageRow, shelf: str, path: str) -> tuple[int, bool, int]:
    """Return what images are ordered by that one may have been: the likeliest has the least.

    That is the one with the longest equal end of the path, then one on the same shelf.
    """
    ends = zip(twin.path.split("/")[::-1], path.split("/")[::-1], strict=False)
    equal = next((at for at, (one, other) in enumerate(ends) if one != other), None)
    if equal is None:
        equal = 1 + min(twin.path.count("/"), path.count("/"))
    return -equal, twin.shelf != shelf, twin.id


class _Ranked:
    """Images by each end of their paths, so that the likeliest is found without the others."""

    def __init__(self, twins: Collection[Twin] = ()) -> None:
        self._serials: dict[int, int] = {}
        self._heaps: dict[tuple[str | None, str], list[tuple[int, int]]] = {}
        self._last = 0
        for twin in twins:
            self.add(twin)

    def add(self, twin: Twin) -> None:
        self._last += 1
        self._serials[twin.id] = self._last
        one = (twin.id, self._last)
        for end in _ends(twin.path):
            for shelf in (twin.shelf, None):
                heappush(self._heaps.setdefault((shelf, end), []), one)

    def discard(self, image_id: int) -> None:
        self._serials.pop(image_id, None)

    def first(self, shelf: str, path: str, but: int | None = None) -> int | None:
        """Return the likeliest image, ``but`` aside, by :func:`likeness`."""
        if not self._serials:
            return None
        for end in _ends(path):
            for of_shelf in (shelf, None):
                found = self._least(self._heaps.get((of_shelf, end), []), but)
                if found is not None:
                    return found
        return None

    def _least(self, heap: list[tuple[int, int]], but: int | None) -> int | None:
        aside, found = None, None
        while heap and found is None:
            image_id, serial = heap[0]
            if self._serials.get(image_id) == serial and image_id != but:
                found = image_id
            else:
                one = heappop(heap)
                aside = one if self._serials.get(image_id) == serial else aside
        if aside is not None:
            heappush(heap, aside)
        return found


def _ends(path: str) -> Iterator[str]:
    """Yield the ends of a path, from the whole path to none of it."""
    while path:
        yield path
        path = path.partition("/")[2]
    yield ""


class Group:
    """The images that have one digest in force."""

    def __init__(self, db: sqlite3.Connection, twins: Sequence[Twin]) -> None:
        self._db = db
        self.twins = {twin.id: twin for twin in twins}
        self._settled = _Ranked([twin for twin in twins if not twin.waits])
        self._waiting = _Ranked([twin for twin in twins if twin.waits])
        self._damaged = _Ranked([twin for twin in twins if twin.is_damaged])
        self._absent: tuple[_Ranked, dict[int, ImageRow]] | None = None

    def put(self, image_id: int, twin: Twin | None) -> None:
        """Note what became of an image that was recorded; its file is at its place."""
        self.twins.pop(image_id, None)
        for ranked in (self._settled, self._waiting, self._damaged):
            ranked.discard(image_id)
        if self._absent is not None:
            self._absent[0].discard(image_id)
            self._absent[1].pop(image_id, None)
        if twin is None:
            return
        self.twins[image_id] = twin
        (self._waiting if twin.waits else self._settled).add(twin)
        if twin.is_damaged:
            self._damaged.add(twin)

    def likeliest(self, shelf: str, path: str, but: int | None) -> Twin | None:
        """Return the image that this may have been, ``but`` aside."""
        ids = (each.first(shelf, path, but) for each in (self._settled, self._waiting))
        found = [self.twins[one] for one in ids if one is not None]
        return min(found, key=lambda twin: likeness(twin, shelf, path), default=None)

    def settled(self, shelf: str, path: str, but: int | None) -> Twin | None:
        """Return the likeliest of those beside whose record no other bytes wait."""
        found = self._settled.first(shelf, path, but)
        return None if found is None else self.twins[found]

    def damaged(self, shelf: str, path: str, but: int | None) -> int | None:
        """Return the likeliest of those that an audit found damaged inside."""
        return self._damaged.first(shelf, path, but)

    def absent(self, shelf: str, path: str) -> ImageRow | None:
        """Return the likeliest of those that were not recorded since the scan began.

        :meth:`stays` takes those away that are at their places.
        """
        if self._absent is None:
            rows = images.by_ids(self._db, self.twins)
            self._absent = _Ranked([self.twins[one] for one in rows]), rows
        found = self._absent[0].first(shelf, path)
        return None if found is None else self._absent[1][found]

    def stays(self, image_id: int) -> None:
        """Ask no more about an image that is still at its place."""
        if self._absent is not None:
            self._absent[0].discard(image_id)
            self._absent[1].pop(image_id, None)


class Twins(Struct):
    """The images of each digest, for one scan, which tells of every image that it records.

    What other runs write in the meantime is asked for anew.
    """

    db: sqlite3.Connection
    _groups: dict[str, Group] = field(default_factory=dict)
    _digests: dict[int, set[str]] = field(default_factory=dict)
    _version: int = 0

    def of(self, digest: str) -> Group:
        """Return the images with this digest in force, of which there may be none."""
        (version,) = self.db.execute("PRAGMA data_version").fetchone()
        if version != self._version:
            self.forget()
            self._version = version
        group = self._groups.get(digest)
        if group is None:
            group = Group(self.db, _read(self.db, "digest = ?", digest) if digest else ())
            if len(group.twins) >= _FEW:
                self._groups[digest] = group
                for image_id in group.twins:
                    self._digests.setdefault(image_id, set()).add(digest)
        return group

    def note(self, image_id: int) -> None:
        """Learn what was written of an image."""
        if not self._groups:
            return
        found = {
            digest: _read(self.db, "digest = ? AND images.id = ?", digest, image_id)
            for (digest,) in self.db.execute(
                "SELECT digest FROM fixity WHERE image_id = ? AND replaced_at IS NULL", [image_id]
            ).fetchall()
            if digest in self._groups
        }
        for digest in self._digests.pop(image_id, set()) | found.keys():
            self._groups[digest].put(image_id, found[digest][0] if digest in found else None)
        if found:
            self._digests[image_id] = set(found)

    def forget(self) -> None:
        """Ask for all anew: what was noted was not written after all."""
        self._groups.clear()
        self._digests.clear()


@reads_catalogue
def _read(db: sqlite3.Connection, where: str, *parameters: str | int) -> list[Twin]:
    rows = db.execute(
        "SELECT DISTINCT images.id, shelves.name, path, waiting.image_id IS NOT NULL, "
        f"judged_by = 'audit' AND verdict = '{State.DAMAGED.value}' FROM fixity "
        "JOIN images ON images.id = fixity.image_id JOIN shelves ON shelves.id = images.shelf_id "
        "LEFT JOIN waiting ON waiting.image_id = images.id "
        f"WHERE replaced_at IS NULL AND {where}",
        parameters,
    )
    return [
        Twin(image_id, shelf, kept_path(path), bool(waits), bool(is_damaged))
        for image_id, shelf, path, waits, is_damaged in rows
    ]
