"""Asking the catalogue: which packages name these identifiers, and where they are."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

from mediashelf.catalogue import images
from mediashelf.catalogue.packages.looked_into import PLAIN
from mediashelf.catalogue.packages.packing import (
    OtherFacts,
    PackageFacts,
    PackageMore,
    unpack_facts_of,
    unpack_more,
    unpack_other,
)
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, kept_text


class NamedModel(NamedTuple):
    """One place where a package names an identifier; see :class:`KeptModel`."""

    identifier: str
    package_id: int
    number: int
    place: int
    section: int
    base: int


class RecordedPackage(NamedTuple):
    """One package on record: where in which content, and what it is."""

    id: int
    source_id: int
    kind: str
    path: str
    facts: PackageFacts | None
    other: OtherFacts | None


class LookedInto(NamedTuple):
    """How much of the library the answer rests on."""

    image_count: int
    package_count: int  # with a driver INF
    other_count: int
    plain_count: int  # images of which only their own files were looked at
    not_yet: int  # images on record that no scan has looked into


@reads_catalogue
def models_naming(db: sqlite3.Connection, identifiers: Iterable[str]) -> list[NamedModel]:
    """Return every place that names one of the identifiers."""
    rows = db.execute(
        "SELECT identifier, package_id, number, place, section, base FROM json_each(?) AS wanted "
        "JOIN package_models ON identifier = wanted.value",
        [json.dumps(sorted(set(identifiers)))],
    )
    return [NamedModel(*row) for row in rows]


@reads_catalogue
def models_of_chip(db: sqlite3.Connection, chip: str) -> list[NamedModel]:
    r"""Return the places that name some board or revision of a chip: its id and ``&…``."""
    rows = db.execute(
        "SELECT identifier, package_id, number, place, section, base FROM package_models "
        "WHERE identifier > ? AND identifier < ?",
        [chip + "&", chip + "'"],  # the character after &
    )
    return [NamedModel(*row) for row in rows]


@reads_catalogue
def packages_by_id(db: sqlite3.Connection, ids: Iterable[int]) -> dict[int, RecordedPackage]:
    """Return packages by their ids."""
    rows = db.execute(
        "SELECT id, source_id, kind, path, facts FROM packages "
        "WHERE id IN (SELECT value FROM json_each(?))",
        [json.dumps(sorted(set(ids)))],
    )
    return {
        package_id: RecordedPackage(
            package_id,
            source_id,
            kind,
            kept_text(path),
            unpack_facts_of(facts) if kind == "inf" else None,
            unpack_other(facts) if kind != "inf" else None,
        )
        for package_id, source_id, kind, path, facts in rows
    }


@reads_catalogue
def more_of(db: sqlite3.Connection, ids: Iterable[int]) -> dict[int, PackageMore]:
    """Return descriptions and files of INF packages."""
    rows = db.execute(
        "SELECT id, more FROM packages WHERE id IN (SELECT value FROM json_each(?))",
        [json.dumps(sorted(set(ids)))],
    )
    return {package_id: unpack_more(packed) for package_id, packed in rows}


@reads_catalogue
def images_with(db: sqlite3.Connection, source_ids: Iterable[int]) -> dict[int, list[ImageRow]]:
    """Return for each content the images that have it on record, by shelf and path."""
    pairs = db.execute(
        "SELECT DISTINCT package_sources.id, image_id FROM package_sources "
        "JOIN fixity ON fixity.digest = package_sources.digest AND replaced_at IS NULL "
        "WHERE package_sources.id IN (SELECT value FROM json_each(?))",
        [json.dumps(sorted(set(source_ids)))],
    ).fetchall()
    rows = images.by_ids(db, [image_id for _, image_id in pairs])
    found: dict[int, list[ImageRow]] = {}
    for source_id, image_id in pairs:
        found.setdefault(source_id, []).append(rows[image_id])
    for listed in found.values():
        listed.sort(key=lambda row: (row.shelf.lower(), row.path))
    return found


@reads_catalogue
def looked_into(db: sqlite3.Connection) -> LookedInto:
    """Return how many images and packages were looked into, and how many images were not."""
    readers = db.execute(
        "SELECT max(coalesce(reader, 0)) FROM images "
        "LEFT JOIN fixity ON fixity.image_id = images.id AND replaced_at IS NULL "
        "LEFT JOIN package_sources ON package_sources.digest = fixity.digest "
        "WHERE NOT is_sheet GROUP BY images.id"
    ).fetchall()
    count = Counter(reader for (reader,) in readers)
    kinds = dict(
        db.execute(  # a shelf that was dropped leaves packages until the next scan
            "SELECT kind, count(*) FROM packages WHERE source_id IN "
            "(SELECT package_sources.id FROM package_sources JOIN fixity "
            "ON fixity.digest = package_sources.digest AND replaced_at IS NULL) GROUP BY kind"
        ).fetchall()
    )
    packages = kinds.pop("inf", 0)
    return LookedInto(
        len(readers) - count[0], packages, sum(kinds.values()), count[PLAIN], count[0]
    )


@reads_catalogue
def unopened_in(db: sqlite3.Connection) -> list[tuple[str, str]]:
    """Return what could not be looked into: the place for people, and the reason."""
    rows = db.execute(
        "SELECT id, unopened FROM package_sources WHERE unopened != '[]' ORDER BY id"
    ).fetchall()
    images_of = images_with(db, (source_id for source_id, _ in rows))
    return [
        (f"{images_of[source_id][0].shelf}:{images_of[source_id][0].path}{place}", reason)
        for source_id, listed in rows
        if source_id in images_of
        for place, _, reason in (str(one).partition(": ") for one in json.loads(listed))
    ]
