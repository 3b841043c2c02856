"""Asking the catalogue: which packages name these identifiers, and where they are."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

from mediashelf.catalogue import images
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
    not_yet: int  # images on record that no scan has looked into


@reads_catalogue
def models_naming(db: sqlite3.Connection, identifiers: Iterable[str]) -> list[NamedModel]:
    """Return every place that names one of the identifiers."""
    rows = db.execute(
        "SELECT text, package_id, number, place, section, base FROM json_each(?) AS wanted "
        "JOIN package_identifiers ON text = wanted.value "
        "JOIN package_models ON identifier_id = package_identifiers.id",
        [json.dumps(sorted(set(identifiers)))],
    )
    return [NamedModel(*row) for row in rows]


@reads_catalogue
def models_of_chip(db: sqlite3.Connection, chip: str) -> list[NamedModel]:
    r"""Return the places that name some board or revision of a chip: its id and ``&…``."""
    rows = db.execute(
        "SELECT text, package_id, number, place, section, base FROM package_identifiers "
        "JOIN package_models ON identifier_id = package_identifiers.id "
        "WHERE text > ? AND text < ?",
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
def more_of(db: sqlite3.Connection, package_id: int) -> PackageMore:
    """Return descriptions and files of an INF package."""
    packed = db.execute("SELECT more FROM packages WHERE id = ?", [package_id]).fetchone()[0]
    return unpack_more(packed)


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
    known, unknown = db.execute(
        "SELECT coalesce(sum(is_known), 0), coalesce(sum(NOT is_known), 0) FROM ("
        "SELECT max(package_sources.id IS NOT NULL) AS is_known FROM images "
        "LEFT JOIN fixity ON fixity.image_id = images.id AND replaced_at IS NULL "
        "LEFT JOIN package_sources ON package_sources.digest = fixity.digest "
        "WHERE NOT is_sheet GROUP BY images.id)"
    ).fetchone()
    kinds = dict(db.execute("SELECT kind, count(*) FROM packages GROUP BY kind").fetchall())
    packages = kinds.pop("inf", 0)
    return LookedInto(known, packages, sum(kinds.values()), unknown)
