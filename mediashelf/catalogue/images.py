"""Questions about images: rows of several tables brought together as values."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mediashelf.catalogue.facts import unpack_facts
from mediashelf.catalogue.listing import fold
from mediashelf.catalogue.records.acknowledged import KNOWN, acknowledged_of
from mediashelf.catalogue.records.described import iter_descriptions, iter_expected
from mediashelf.catalogue.records.reading import ContentError, reads_catalogue, require_types
from mediashelf.catalogue.records.waiting import made_waiting, waiting_of
from mediashelf.catalogue.rows import ImageRow, Presence, ShelfRow, keep_path, kept_path, kept_text
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import DiscFacts
from mediashelf.integrity.fixity.acknowledged import with_acknowledged
from mediashelf.system import real_path
from mediashelf.text import same_name

if TYPE_CHECKING:
    from mediashelf.integrity.fixity.values import FixityRecord

_BASE = "FROM images JOIN shelves ON shelves.id = images.shelf_id WHERE "

_COLUMNS = """
    images.id, shelves.name, shelves.root, images.path, size, mtime_ns, file_system, presence,
    verdict, judged_by, problem, is_sheet, looks_raw, entry_count, images.scanned_at, audited_at
"""
_KINDS = (int, str, bytes, bytes, int, int, *[str] * 5, int, int, int, str, str | None)


def matching(
    db: sqlite3.Connection,
    *,
    shelf_id: int | None = None,
    kind: str | None = None,
    label: str | None = None,
    state: str | None = None,
) -> list[ImageRow]:
    """Return the images that fit every filter; see :meth:`Catalogue.images`."""
    where, values = "1", list[Any]()
    if shelf_id is not None:
        where, values = "shelf_id = ?", [shelf_id]
    if state is not None:  # as ImageRow.state says it
        where += " AND CASE presence WHEN 'here' THEN verdict ELSE presence END = ?"
        values.append(state)
    rows = _load(db, where, *values)
    if kind is not None:
        rows = [row for row in rows if kind in kinds_of(row)]
    if label is not None:
        wanted = fold(label)
        rows = [row for row in rows if any(wanted in fold(text) for text in row.labels)]
    return rows


def waiting_here(db: sqlite3.Connection, shelf_id: int) -> list[ImageRow]:
    """Return the images of a shelf that are there, and wait for the keeper's word."""
    where = "shelf_id = ? AND presence = 'here' AND images.id IN (SELECT image_id FROM waiting)"
    return _load(db, where, shelf_id)


def kinds_of(row: ImageRow) -> tuple[str, ...]:
    """Return every word that the kind filter knows an image by."""
    raw = ("raw",) if row.looks_raw else ()
    sheet = ("sheet",) if row.is_sheet else ()
    return row.kinds + raw + sheet


def by_ids(db: sqlite3.Connection, ids: Iterable[int]) -> dict[int, ImageRow]:
    """Return images by their ids."""
    wanted = json.dumps(sorted(set(ids)))
    rows = _load(db, "images.id IN (SELECT value FROM json_each(?))", wanted)
    return {row.id: row for row in rows}


def by_file(db: sqlite3.Connection, shelves: Sequence[ShelfRow], file: Path) -> ImageRow | None:
    """Return the image whose file this is, by name or by the place that links lead to."""
    for candidate in dict.fromkeys([file.absolute(), Path(real_path(file))]):
        for shelf in shelves:
            for root in dict.fromkeys([shelf.root, Path(real_path(shelf.root))]):
                if candidate.is_relative_to(root):
                    path = keep_path(candidate.relative_to(root).as_posix())
                    rows = _load(db, "shelf_id = ? AND images.path = ?", shelf.id, path)
                    if rows:
                        return rows[0]
    return None


def by_digest(db: sqlite3.Connection, digest: str) -> list[ImageRow]:
    """Return every image with this digest in force."""
    return _load(
        db,
        "images.id IN (SELECT image_id FROM fixity WHERE digest = ? AND replaced_at IS NULL)",
        digest.lower(),
    )


def by_size_and_name(db: sqlite3.Connection, size: int, name: str) -> list[ImageRow]:
    """Return every image that has this size on record, and whose file has exactly this name."""
    kept = keep_path(name)
    return _load(
        db,
        "size = ? AND (images.path = ? OR substr(images.path, ?) = ?)",
        size,
        kept,
        -len(kept) - 1,
        b"/" + kept,
    )


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
def _load(db: sqlite3.Connection, where: str, *parameters: Any) -> list[ImageRow]:
    """Build the rows that ``where`` picks, by shelf and path, with seven queries in all."""
    order = " ORDER BY shelves.name, images.path"
    rows = db.execute(f"SELECT {_COLUMNS} {_BASE} {where} {order}", parameters).fetchall()
    if not rows:
        return []
    # Asked once for all that is to be said of ten thousand images.
    is_all = where == "1"
    picked = "SELECT id FROM images" if is_all else f"SELECT images.id {_BASE} {where}"
    of_these = "" if is_all else f"AND image_id IN ({picked}) "
    more: dict[int, dict[str, Any]] = {row[0]: {"digests": {}} for row in rows}
    for image_id, algorithm, digest, recorded_at, confirmed_at in db.execute(
        "SELECT image_id, algorithm, digest, recorded_at, confirmed_at FROM fixity "
        f"WHERE replaced_at IS NULL {of_these}ORDER BY id",
        parameters,
    ):
        if not (type(digest) is type(recorded_at) is type(confirmed_at) is str):
            raise ContentError("a digest or its date is not valid")
        known = more[image_id]
        known["digests"][algorithm] = digest
        # Several digests of one file: its bytes are on record since the first,
        # and were last confirmed when any of them was.
        if recorded_at < known.setdefault("recorded_at", recorded_at):
            known["recorded_at"] = recorded_at
        if confirmed_at > known.setdefault("confirmed_at", confirmed_at):
            known["confirmed_at"] = confirmed_at
    for image_id, kind, label in db.execute(
        f"SELECT image_id, kind, label FROM volumes WHERE 1 {of_these}ORDER BY image_id, number",
        parameters,
    ):
        known = more[image_id]
        known["kinds"] = (*known.get("kinds", ()), kind)
        known["labels"] = (*known.get("labels", ()), kept_text(label))
    # Those of bytes that wait are kept as an audit's; no acknowledgement is for these bytes.
    for image_id, origin, judged_by, severity, is_known, count in db.execute(
        "SELECT findings.image_id, origin, judged_by, severity, "
        f"rule IN ({KNOWN} findings.image_id) AND (origin = 'scan' OR waiting.image_id IS NULL) "
        "AS is_known, count(*) FROM findings JOIN images ON images.id = findings.image_id "
        "LEFT JOIN waiting ON waiting.image_id = findings.image_id "
        f"WHERE findings.image_id IN ({picked}) "
        "GROUP BY findings.image_id, origin, severity, is_known",
        parameters,
    ):
        known = more[image_id]
        level = Severity.NOTE if is_known else Severity(severity)
        if origin == judged_by:
            counts = known.setdefault("finding_counts", {})
            counts[level] = counts.get(level, 0) + count
            known["acknowledged"] = known.get("acknowledged", 0) + is_known * count
        if origin == "scan" and level is Severity.ERROR:
            known["errors"] = count
    for image_id, *values in db.execute(
        "SELECT image_id, size, mtime_ns, digests, seen_at, judged, judged_at FROM waiting "
        f"WHERE image_id IN ({picked})",
        parameters,
    ):
        more[image_id]["waiting"] = made_waiting(*values)
    for image_id, description in iter_descriptions(db, picked, parameters):
        more[image_id]["description"] = description
    for image_id, expected in iter_expected(db, picked, parameters):
        more[image_id]["expected"] = (*more[image_id].get("expected", ()), expected)
    # Most rows are alike in this, and there may be ten thousand.
    for row in {tuple(map(type, row)): row for row in rows}.values():
        require_types(row, _KINDS)
    roots = {root: Path(kept_path(root)) for root in {row[2] for row in rows}}
    presences = {word: Presence(word) for word in {row[7] for row in rows}}
    if any(b"\0" in root for root in roots) or any(b"\0" in row[3] for row in rows):
        raise ContentError("a path has a NUL in it")
    return [
        ImageRow(
            row[0],
            row[1],
            roots[row[2]],
            kept_path(row[3]),
            row[4],
            row[5],
            row[6],
            presences[row[7]],
            row[8],
            row[9],
            row[10],
            bool(row[11]),
            bool(row[12]),
            row[13],
            row[14],
            row[15],
            **more[row[0]],
        )
        for row in rows
    ]


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
        row.digests,
        digests,
        block_size,
        row.recorded_at,
        row.confirmed_at,
        acknowledged_of(db, row.id),
    )


@reads_catalogue
def facts_of(db: sqlite3.Connection, image_id: int) -> DiscFacts | None:
    """Return the facts of an image as they were when it was last read, or None."""
    packed = db.execute("SELECT packed FROM disc_facts WHERE image_id = ?", [image_id]).fetchone()
    return unpack_facts(packed[0]) if packed is not None else None


@reads_catalogue
def findings_on_record(db: sqlite3.Connection, image_id: int) -> list[Finding]:
    """Return what the last scan or audit of an image found, worst first.

    What the keeper acknowledged for the bytes that are there is a note.
    """
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
