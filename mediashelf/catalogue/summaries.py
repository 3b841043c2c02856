"""What the discs on record say of themselves: worked out from their facts, and remembered."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence

from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.records.reading import reads_catalogue, require_types
from mediashelf.catalogue.rows import ImageRow, keep_text, kept_text
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.formats.disc_summary import READER, DiscSummary

_COLUMNS = (
    "created, modified, effective, application, boot, scripts, installers, set_name, set_number, "
    "set_size"
)
_KINDS = (str, str, str, int, int)
_NOTHING = DiscSummary()


def summaries_of(catalogue: Catalogue, rows: Sequence[ImageRow]) -> dict[int, DiscSummary]:
    """Return what each disc is, by the id of its image; what is not a disc is left out.

    Images of equal bytes are looked into once.
    """
    known = _remembered_of(catalogue, rows)
    new: dict[int, DiscSummary] = {}
    by_bytes: dict[str, DiscSummary] = {}
    for row in rows:
        if row.id in known or not row.kinds:
            continue
        summary = by_bytes.get(row.key_digest)
        if summary is None:
            # Loaded only for what is not remembered: a list starts faster without the rules.
            from mediashelf.readability.identity.summary import summarise

            facts = facts_of(catalogue.db, row.id)
            summary = _NOTHING if facts is None else summarise(facts)
            by_bytes[row.key_digest] = summary
        new[row.id] = summary
    if new and catalogue.can_write and catalogue.exists:
        with transaction(catalogue.db):
            write_summaries(catalogue.db, new)
    return {row.id: known.get(row.id) or new.get(row.id, _NOTHING) for row in rows}


def knows_all(catalogue: Catalogue) -> bool:
    """Tell whether it is remembered of every disc on record what it is."""
    lacks = catalogue.db.execute(
        "SELECT 1 FROM volumes WHERE image_id NOT IN "
        "(SELECT image_id FROM disc_summaries WHERE reader = ?) LIMIT 1",
        [READER],
    ).fetchone()
    return lacks is None


def complete_summaries(catalogue: Catalogue) -> None:
    """Work out what is not remembered yet, for whoever asks the table itself."""
    if not knows_all(catalogue):
        summaries_of(catalogue, catalogue.images())


def summaries_of_sets(catalogue: Catalogue) -> dict[int, DiscSummary]:
    """Return what is remembered of the discs that say that they are of a set."""
    return _remembered(catalogue, " AND set_size > 0")


def ids_with_summary(catalogue: Catalogue) -> set[int]:
    """Return the images of which it is remembered what they are."""
    rows = catalogue.db.execute("SELECT image_id FROM disc_summaries WHERE reader = ?", [READER])
    return {image_id for (image_id,) in rows}


def _remembered_of(catalogue: Catalogue, rows: Sequence[ImageRow]) -> dict[int, DiscSummary]:
    """Return what is remembered of these, and of others too where these are most of them."""
    (count,) = catalogue.db.execute("SELECT count(*) FROM disc_summaries").fetchone()
    if len(rows) * 2 >= count:
        return _remembered(catalogue)
    import json  # most catalogues are small, or asked for all that is in them

    ids = json.dumps([row.id for row in rows])
    return _remembered(catalogue, " AND image_id IN (SELECT value FROM json_each(?))", ids)


@reads_catalogue
def _remembered(catalogue: Catalogue, more: str = "", *values: str) -> dict[int, DiscSummary]:
    rows = catalogue.db.execute(
        f"SELECT image_id, {_COLUMNS} FROM disc_summaries WHERE reader = ?{more}",
        [READER, *values],
    )
    return {image_id: _made(*columns) for image_id, *columns in rows}


def _made(
    created: str,
    modified: str,
    effective: str,
    application: bytes,
    boot: str,
    scripts: str,
    installers: str,
    set_name: bytes,
    set_number: int,
    set_size: int,
) -> DiscSummary:
    require_types((created, modified, effective, set_number, set_size), _KINDS)
    return DiscSummary(
        created,
        modified,
        effective,
        kept_text(application),
        _words(boot),
        _words(scripts),
        _words(installers),
        kept_text(set_name),
        set_number,
        set_size,
    )


def _words(text: str) -> tuple[str, ...]:
    if text == "[]":
        return ()
    import json  # most lists ask for nothing of this

    return tuple(json.loads(text))


def write_summaries(db: sqlite3.Connection, new: Mapping[int, DiscSummary]) -> None:
    """Keep what discs say of themselves; within the caller's transaction."""
    import json

    db.executemany(
        f"INSERT OR REPLACE INTO disc_summaries (image_id, reader, {_COLUMNS}) "
        "SELECT id, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ? FROM images WHERE id = ?",
        [
            (
                READER,
                each.created,
                each.modified,
                each.effective,
                keep_text(each.application),
                json.dumps(each.boot),
                json.dumps(each.scripts),
                json.dumps(each.installers),
                keep_text(each.set_name),
                each.set_number,
                each.set_size,
                image_id,
            )
            for image_id, each in new.items()
        ],
    )
