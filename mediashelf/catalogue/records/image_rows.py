"""Images on record as rows: several tables brought together, for ten thousand at once."""

from __future__ import annotations

import sqlite3
from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import repeat
from pathlib import Path
from typing import Any

from mediashelf.catalogue.records.acknowledged import KNOWN
from mediashelf.catalogue.records.described import iter_descriptions, iter_expected
from mediashelf.catalogue.records.reading import ContentError, reads_catalogue, require_kind
from mediashelf.catalogue.records.waiting import made_waiting
from mediashelf.catalogue.rows import (
    Description,
    Expected,
    ImageRow,
    Presence,
    kept_path,
    kept_text,
)
from mediashelf.findings import Severity

_FEW = 10_000  # images of a catalogue that is read at once
_AT_ONCE = 4000  # images of a larger one whose rows are in memory together

_BASE = "FROM images JOIN shelves ON shelves.id = images.shelf_id WHERE "
_ORDER = "ORDER BY shelves.name, images.path"

_COLUMNS = """
    images.id, shelves.name, shelves.root, images.path, size, mtime_ns, file_system, presence,
    verdict, judged_by, problem, is_sheet, looks_raw, entry_count, images.scanned_at, audited_at
"""
_Digests = tuple[dict[int, dict[str, str]], dict[int, str], dict[int, str]]

_KINDS = (int, str, bytes, bytes, int, int, *[str] * 5, int, int, int, str, str | None)


def iter_rows(
    db: sqlite3.Connection, where: str, *parameters: Any, with_digests: bool = True
) -> Iterator[list[ImageRow]]:
    """Yield what :func:`load_rows` builds, of a large catalogue some thousands at once.

    A row takes more than two kilobytes. What is recorded meanwhile is left out.
    """
    (count,) = db.execute("SELECT count(*) FROM images").fetchone()
    if count <= _FEW:
        yield load_rows(db, where, *parameters, with_digests=with_digests)
        return
    ids = _ids_in(db, where, parameters)
    for start in range(0, len(ids), _AT_ONCE):
        yield load_by_ids(db, ids[start : start + _AT_ONCE], with_digests=with_digests)
        db.execute("PRAGMA shrink_memory")  # pages of these rows are not asked for again


@reads_catalogue
def _ids_in(db: sqlite3.Connection, where: str, parameters: tuple[Any, ...]) -> array[int]:
    rows = db.execute(f"SELECT images.id {_BASE} {where} {_ORDER}", parameters)
    return array("q", [image_id for (image_id,) in rows])


def load_by_ids(
    db: sqlite3.Connection, ids: Iterable[int], *, with_digests: bool = True
) -> list[ImageRow]:
    """Build the rows of these images, by shelf and path."""
    import json  # a scan seldom finds one to ask for

    picked = "SELECT value FROM json_each(?)"
    where = f"images.id IN ({picked})"
    return _load_rows(db, where, picked, (json.dumps(list(ids)),), with_digests)


def load_rows(
    db: sqlite3.Connection, where: str, *parameters: Any, with_digests: bool = True
) -> list[ImageRow]:
    """Build the rows that ``where`` picks, by shelf and path, with seven queries in all."""
    picked = "SELECT id FROM images" if where == "1" else f"SELECT images.id {_BASE} {where}"
    return _load_rows(db, where, picked, parameters, with_digests)


@reads_catalogue
def _load_rows(
    db: sqlite3.Connection,
    where: str,
    picked: str,
    parameters: tuple[Any, ...],
    with_digests: bool,
) -> list[ImageRow]:
    # Ten thousand rows at once: column by column, and one dictionary for each thing to be said.
    columns = _image_columns(db, where, parameters)
    if not columns:
        return []
    ids = columns[0]
    of_these = "" if where == "1" else f"AND image_id IN ({picked}) "
    beside = [
        map(known.get, ids, repeat(nothing)) if known else repeat(nothing)
        for known, nothing in _known_beside(db, picked, of_these, parameters, with_digests)
    ]
    new = tuple.__new__
    # What nothing is known of goes on for ever.
    return [new(ImageRow, values) for values in zip(*columns, *beside, strict=False)]


def _image_columns(
    db: sqlite3.Connection, where: str, parameters: tuple[Any, ...]
) -> list[Iterable[Any]]:
    """Return the columns of :class:`ImageRow` that the image itself has; none without rows."""
    rows = db.execute(f"SELECT {_COLUMNS} {_BASE} {where} {_ORDER}", parameters).fetchall()
    columns: list[Any] = list(zip(*rows, strict=True))
    if not columns:
        return []
    for column, kind in zip(columns, _KINDS, strict=True):
        require_kind(column, kind)
    if any(b"\0" in b"".join(set(column)) for column in columns[2:4]):
        raise ContentError("a path has a NUL in it")
    root_of = {root: Path(kept_path(root)) for root in set(columns[2])}
    presence_of = {word: Presence(word) for word in set(columns[7])}
    for at in (1, 8):  # shelf and verdict: few words, many times
        words = {word: word for word in set(columns[at])}
        columns[at] = map(words.__getitem__, columns[at])
    columns[2] = map(root_of.__getitem__, columns[2])
    columns[3] = map(kept_path, columns[3])
    columns[7] = map(presence_of.__getitem__, columns[7])
    columns[11:13] = map(bool, columns[11]), map(bool, columns[12])
    return columns


def _known_beside(
    db: sqlite3.Connection,
    picked: str,
    of_these: str,
    parameters: tuple[Any, ...],
    with_digests: bool,
) -> Iterator[tuple[dict[int, Any], Any]]:
    """Yield for each other column what is known, by image, and what stands for nothing known."""
    no_digests: _Digests = ({}, {}, {})
    digests, recorded, confirmed = (
        _digests_in(db, of_these, parameters) if with_digests else no_digests
    )
    yield from ((recorded, ""), (confirmed, ""), (digests, {}))
    yield from ((known, ()) for known in _volumes_in(db, of_these, parameters))
    counts, errors, acknowledged = _found_in(db, picked, parameters)
    yield from ((counts, {}), (errors, 0), (acknowledged, 0))
    waiting = {
        image_id: made_waiting(*values)
        for image_id, *values in db.execute(
            "SELECT image_id, size, mtime_ns, digests, seen_at, judged, judged_at FROM waiting "
            f"WHERE image_id IN ({picked})",
            parameters,
        )
    }
    yield waiting, None
    yield dict(iter_descriptions(db, picked, parameters)), Description()
    expected: dict[int, tuple[Expected, ...]] = {}
    for image_id, one in iter_expected(db, picked, parameters):
        expected[image_id] = (*expected.get(image_id, ()), one)
    yield expected, ()


def _digests_in(db: sqlite3.Connection, of_these: str, parameters: tuple[Any, ...]) -> _Digests:
    """Return by image its digests in force, since when, and when they were last confirmed."""
    digests: dict[int, dict[str, str]] = {}
    recorded: dict[int, str] = {}
    confirmed: dict[int, str] = {}
    for image_id, algorithm, digest, recorded_at, confirmed_at in db.execute(
        "SELECT image_id, algorithm, digest, recorded_at, confirmed_at FROM fixity "
        f"WHERE replaced_at IS NULL {of_these}ORDER BY id",
        parameters,
    ):
        if not (type(digest) is type(recorded_at) is type(confirmed_at) is str):
            raise ContentError("a digest or its date is not valid")
        if image_id not in digests:
            digests[image_id] = {algorithm: digest}
            recorded[image_id], confirmed[image_id] = recorded_at, confirmed_at
            continue
        # Several digests of one file: its bytes are on record since the first,
        # and were last confirmed when any of them was.
        digests[image_id][algorithm] = digest
        recorded[image_id] = min(recorded[image_id], recorded_at)
        confirmed[image_id] = max(confirmed[image_id], confirmed_at)
    return digests, recorded, confirmed


def _volumes_in(
    db: sqlite3.Connection, of_these: str, parameters: tuple[Any, ...]
) -> tuple[dict[int, tuple[str, ...]], dict[int, tuple[str, ...]]]:
    """Return by image what kinds of volumes it has, and their labels."""
    kinds: dict[int, tuple[str, ...]] = {}
    labels: dict[int, tuple[str, ...]] = {}
    rows = db.execute(
        f"SELECT image_id, kind, label FROM volumes WHERE 1 {of_these}ORDER BY image_id, number",
        parameters,
    ).fetchall()
    texts = _kept_texts([label for _, _, label in rows])
    for (image_id, kind, _), label in zip(rows, texts, strict=True):
        if image_id in kinds:
            kinds[image_id] += (kind,)
            labels[image_id] += (label,)
        else:
            kinds[image_id], labels[image_id] = (kind,), (label,)
    return kinds, labels


def _kept_texts(column: Sequence[bytes]) -> list[str]:
    """Return a long column of texts that were kept, in a part of the time."""
    texts = kept_text(b"\0".join(column)).split("\0")
    return texts if len(texts) == len(column) else list(map(kept_text, column))


def _found_in(
    db: sqlite3.Connection, picked: str, parameters: tuple[Any, ...]
) -> tuple[dict[int, dict[Severity, int]], dict[int, int], dict[int, int]]:
    """Return what was found last in each image, its errors on record, and what is acknowledged."""
    counts: dict[int, dict[Severity, int]] = {}
    errors: dict[int, int] = {}
    acknowledged: dict[int, int] = {}
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
        level = Severity.NOTE if is_known else Severity(severity)
        if origin == judged_by:
            of_image = counts.setdefault(image_id, {})
            of_image[level] = of_image.get(level, 0) + count
            acknowledged[image_id] = acknowledged.get(image_id, 0) + is_known * count
        if origin == "scan" and level is Severity.ERROR:
            errors[image_id] = count
    return counts, errors, acknowledged
