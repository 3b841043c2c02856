"""Questions about images: rows of several tables brought together as values."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mediashelf.catalogue.records.acknowledged import acknowledged_of
from mediashelf.catalogue.records.damage_inside import damage_inside_of
from mediashelf.catalogue.records.image_rows import iter_rows, load_by_ids, load_rows
from mediashelf.catalogue.records.published import unmet_findings
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.records.waiting import waiting_of
from mediashelf.catalogue.rows import (
    ImageRow,
    ShelfRow,
    keep_path,
    kept_path,
)
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.acknowledged import with_acknowledged
from mediashelf.system import real_path
from mediashelf.text import fold, same_name

if TYPE_CHECKING:
    from mediashelf.formats.volume import DiscFacts
    from mediashelf.integrity.fixity.values import FixityRecord


def iter_matching(
    db: sqlite3.Connection,
    *,
    shelf_id: int | None = None,
    kind: str | None = None,
    label: str | None = None,
    state: str | None = None,
    with_digests: bool = True,
) -> Iterator[list[ImageRow]]:
    """Yield the images that fit every filter, some at once; see :meth:`Catalogue.iter_images`."""
    where, values = "1", list[Any]()
    if shelf_id is not None:
        where, values = "shelf_id = ?", [shelf_id]
    if state is not None:  # as ImageRow.state says it
        where += " AND CASE presence WHEN 'here' THEN verdict ELSE presence END = ?"
        values.append(state)
    wanted = fold(label) if label is not None else ""
    for rows in iter_rows(db, where, *values, with_digests=with_digests):
        if kind is not None:
            rows = [row for row in rows if kind in kinds_of(row)]
        if label is not None:
            rows = [row for row in rows if any(wanted in fold(text) for text in row.labels)]
        yield rows


def waiting_here(db: sqlite3.Connection, shelf_id: int) -> list[ImageRow]:
    """Return the images of a shelf that are there, and wait for the keeper's word."""
    where = "shelf_id = ? AND presence = 'here' AND images.id IN (SELECT image_id FROM waiting)"
    return load_rows(db, where, shelf_id)


def kinds_of(row: ImageRow) -> tuple[str, ...]:
    """Return every word that the kind filter knows an image by."""
    raw = ("raw",) if row.looks_raw else ()
    sheet = ("sheet",) if row.is_sheet else ()
    return row.kinds + raw + sheet


def by_ids(db: sqlite3.Connection, ids: Iterable[int]) -> dict[int, ImageRow]:
    """Return images by their ids."""
    return {row.id: row for row in load_by_ids(db, sorted(set(ids)))}


def by_file(db: sqlite3.Connection, shelves: Sequence[ShelfRow], file: Path) -> ImageRow | None:
    """Return the image whose file this is, by name or by the place that links lead to."""
    for candidate in dict.fromkeys([file.absolute(), Path(real_path(file))]):
        for shelf in shelves:
            for root in dict.fromkeys([shelf.root, Path(real_path(shelf.root))]):
                if candidate.is_relative_to(root):
                    path = keep_path(candidate.relative_to(root).as_posix())
                    rows = load_rows(db, "shelf_id = ? AND images.path = ?", shelf.id, path)
                    if rows:
                        return rows[0]
    return None


def by_digest(db: sqlite3.Connection, digest: str) -> list[ImageRow]:
    """Return every image with this digest in force."""
    ids = db.execute(
        "SELECT image_id FROM fixity WHERE digest = ? AND replaced_at IS NULL", [digest.lower()]
    ).fetchall()
    return list(by_ids(db, [image_id for (image_id,) in ids]).values()) if ids else []


class Namesakes:
    """Finds the images of one size and file name that are not at their places.

    Floppies all have one size, and thousands may have one name: each size is asked for once, and
    one that is at its place is not asked about again. What is recorded meanwhile is at its place.
    """

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._by_size: dict[int, dict[bytes, list[int]]] = {}

    def find_absent(self, size: int, name: str) -> list[ImageRow]:
        """Return those that have this size on record, and whose file had exactly this name."""
        known = self._by_size.get(size)
        if known is None:
            known = self._by_size[size] = {}
            for image_id, path in self._db.execute(
                "SELECT id, path FROM images WHERE size = ?", [size]
            ):
                known.setdefault(_file_name(path), []).append(image_id)
        ids = known.get(keep_path(name))
        if not ids:
            return []
        rows = by_ids(self._db, ids).values()  # some may be elsewhere by now
        alike = [row for row in rows if row.size == size and row.path.rpartition("/")[2] == name]
        absent = [row for row in alike if not os.path.lexists(row.file)]
        known[keep_path(name)] = [row.id for row in absent]
        return absent


def _file_name(path: bytes) -> bytes:
    return path.rpartition(b"/")[2]


def by_name(db: sqlite3.Connection, name: str) -> list[ImageRow]:
    """Return every image whose file has this name, as :func:`same_name` compares them."""
    wanted = same_name(name)
    ids = [
        image_id
        for image_id, path in db.execute("SELECT id, path FROM images")
        if same_name(kept_path(path).rpartition("/")[2]) == wanted
    ]
    return list(by_ids(db, ids).values())


@reads_catalogue
def fixity_record(db: sqlite3.Connection, row: ImageRow) -> FixityRecord | None:
    """Return what an audit compares with, or None where no digest is on record."""
    if not row.digests:
        return None
    from mediashelf.integrity.fixity.values import FixityRecord  # a list needs no digests

    blocks = db.execute(
        "SELECT block_size, digests FROM block_digests WHERE image_id = ?", [row.id]
    ).fetchone()
    size = db.execute(
        "SELECT size FROM fixity WHERE image_id = ? AND replaced_at IS NULL", [row.id]
    ).fetchone()[0]
    block_size, digests = blocks if blocks is not None else (0, b"")
    return FixityRecord(
        size,
        row.mtime_ns,
        dict(row.digests),
        digests,
        block_size,
        row.recorded_at,
        row.confirmed_at,
        acknowledged_of(db, row.id),
        damage_inside_of(db, row.where, row.digests.values()),
        unmet_findings(row, row.where),
    )


@reads_catalogue
def facts_of(db: sqlite3.Connection, image_id: int) -> DiscFacts | None:
    """Return the facts of an image as they were when it was last read, or None."""
    packed = db.execute("SELECT packed FROM disc_facts WHERE image_id = ?", [image_id]).fetchone()
    if packed is None:
        return None
    from mediashelf.catalogue.facts import unpack_facts  # a list needs no facts

    return unpack_facts(packed[0])


@reads_catalogue
def findings_on_record(db: sqlite3.Connection, image_id: int) -> list[Finding]:
    """Return what the last scan or audit of an image found, worst first.

    What the keeper acknowledged for the bytes that are there is a note.
    """
    import json

    rows = db.execute(
        "SELECT severity, detail FROM findings JOIN images ON images.id = image_id "
        "WHERE image_id = ? AND origin = judged_by ORDER BY severity DESC, number",
        [image_id],
    )
    findings = [
        Finding(**{**json.loads(detail), "severity": Severity(severity)})
        for severity, detail in rows
    ]
    known = acknowledged_of(db, image_id) if waiting_of(db, image_id) is None else {}
    return sorted(with_acknowledged(findings, known), key=lambda finding: -finding.severity)
