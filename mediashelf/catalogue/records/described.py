"""The keeper's words on a disc, and digests published for it, as they are beside its record."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from typing import Any

from msgspec import Struct

from mediashelf.catalogue.records.reading import ContentError
from mediashelf.catalogue.rows import Description, Expected, keep_text, kept_text, utc_now

_COLUMNS = "note, tags, place, part_number, set_name, set_number, set_size"


def iter_descriptions(
    db: sqlite3.Connection, picked: str, parameters: tuple[Any, ...]
) -> Iterator[tuple[int, Description]]:
    """Yield the words on each image that the query ``picked`` gives the ids of.

    Without parameters that is every image, and there are fewer words than images.
    """
    both = "fixity JOIN descriptions" if parameters else "descriptions CROSS JOIN fixity"
    for image_id, *values in db.execute(
        f"SELECT image_id, {_COLUMNS} FROM {both} USING (digest) "
        f"WHERE replaced_at IS NULL AND image_id IN ({picked})",
        parameters,
    ):
        yield image_id, _made(*values)


def description_of(db: sqlite3.Connection, digest: str) -> Description:
    """Return the words on the bytes of this digest."""
    row = db.execute(f"SELECT {_COLUMNS} FROM descriptions WHERE digest = ?", [digest]).fetchone()
    return _made(*row) if row is not None else Description()


def write_description(db: sqlite3.Connection, digest: str, words: Description) -> None:
    """Put words in the place of earlier ones; within the caller's transaction."""
    if words == Description():
        db.execute("DELETE FROM descriptions WHERE digest = ?", [digest])
        return
    db.execute(
        f"INSERT OR REPLACE INTO descriptions (digest, {_COLUMNS}, changed_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            digest,
            keep_text(words.note),
            keep_text("\n".join(words.tags)),
            keep_text(words.place),
            keep_text(words.part_number),
            keep_text(words.set_name),
            words.set_number,
            words.set_size,
            utc_now(),
        ],
    )


def carry_description(db: sqlite3.Connection, old: str, new: Mapping[str, str]) -> None:
    """Let the words on accepted bytes be those on the bytes before, unless they have their own."""
    digest = new.get("xxh3_128") or next(iter(new.values()), "")
    words = description_of(db, old)
    if digest and words != Description() and description_of(db, digest) == Description():
        write_description(db, digest, words)


def _made(
    note: bytes,
    tags: bytes,
    place: bytes,
    part_number: bytes,
    set_name: bytes,
    set_number: object,
    set_size: object,
) -> Description:
    if not isinstance(set_number, int) or not isinstance(set_size, int):
        raise ContentError("the place in a set is not a number")
    return Description(
        kept_text(note),
        tuple(filter(None, kept_text(tags).split("\n"))),
        kept_text(place),
        kept_text(part_number),
        kept_text(set_name),
        set_number,
        set_size,
    )


class PublishedDigest(Struct, frozen=True):
    """A digest that a list has for an image on record."""

    image_id: int
    algorithm: str
    digest: str
    list_name: str


def iter_expected(
    db: sqlite3.Connection, picked: str, parameters: tuple[Any, ...]
) -> Iterator[tuple[int, Expected]]:
    """Yield the published digests of each image that the query ``picked`` gives the ids of."""
    for image_id, algorithm, digest, list_name, known, met in db.execute(
        "SELECT image_id, algorithm, digest, list_name, "
        "  EXISTS (SELECT 1 FROM fixity WHERE fixity.image_id = expected_digests.image_id "
        "    AND fixity.algorithm = expected_digests.algorithm), "
        "  EXISTS (SELECT 1 FROM fixity WHERE fixity.image_id = expected_digests.image_id "
        "    AND fixity.algorithm = expected_digests.algorithm "
        "    AND fixity.digest = expected_digests.digest) "
        f"FROM expected_digests WHERE image_id IN ({picked}) ORDER BY image_id, algorithm",
        parameters,
    ):
        is_met = bool(met) if known else None
        yield image_id, Expected(algorithm, digest, kept_text(list_name), is_met)


def write_expected(db: sqlite3.Connection, published: PublishedDigest) -> None:
    """Keep a published digest in the place of an earlier one; in the caller's transaction."""
    db.execute(
        "INSERT OR REPLACE INTO expected_digests "
        "(image_id, algorithm, digest, list_name, imported_at) VALUES (?, ?, ?, ?, ?)",
        [
            published.image_id,
            published.algorithm,
            published.digest,
            keep_text(published.list_name),
            utc_now(),
        ],
    )
