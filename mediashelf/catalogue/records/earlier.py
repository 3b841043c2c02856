"""Records that were replaced by the keeper's word: kept, so that ``mend`` can still aim at them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from msgspec import Struct

from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow
from mediashelf.integrity.fixity.values import FixityRecord


class EarlierRecord(Struct, frozen=True):
    """A record and until when it was in force; ``replaced_at`` is empty while it is."""

    record: FixityRecord
    replaced_at: str = ""

    def was_in_force(self, first: str, last: str) -> bool:
        """Tell whether it was in force at any moment from ``first`` to ``last``."""
        return self.record.recorded_at <= last and (
            not self.replaced_at or self.replaced_at > first
        )


def digests_in_force(db: sqlite3.Connection, image_id: int) -> dict[str, str]:
    """Return the digests on record, by algorithm."""
    return dict(
        db.execute(
            "SELECT algorithm, digest FROM fixity WHERE image_id = ? AND replaced_at IS NULL",
            [image_id],
        ).fetchall()
    )


def put_aside(db: sqlite3.Connection, image_id: int, now: str) -> None:
    """End the record in force, and keep all of it; within the caller's transaction."""
    db.execute(
        "INSERT INTO earlier_blocks (image_id, replaced_at, block_size, digests) "
        "SELECT image_id, ?, block_size, digests FROM block_digests WHERE image_id = ?",
        [now, image_id],
    )
    db.execute("DELETE FROM block_digests WHERE image_id = ?", [image_id])
    db.execute(
        "UPDATE fixity SET replaced_at = ? WHERE image_id = ? AND replaced_at IS NULL",
        [now, image_id],
    )


@reads_catalogue
def records_of(db: sqlite3.Connection, row: ImageRow) -> list[EarlierRecord]:
    """Return every record that an image had, oldest first; the one in force is the last."""
    groups: dict[tuple[str, int], list[tuple[str, str, int, str, str]]] = {}
    for replaced_at, *values in db.execute(
        "SELECT coalesce(replaced_at, ''), algorithm, digest, size, recorded_at, confirmed_at "
        "FROM fixity WHERE image_id = ? ORDER BY id",
        [row.id],
    ):
        number = 0  # counts records that were replaced within one second
        while any(known[0] == values[0] for known in groups.get((replaced_at, number), ())):
            number += 1
        groups.setdefault((replaced_at, number), []).append(tuple(values))
    blocks: dict[str, list[tuple[bytes, int]]] = {}
    for replaced_at, digests, block_size in db.execute(
        "SELECT replaced_at, digests, block_size FROM earlier_blocks WHERE image_id = ?1 "
        "UNION ALL SELECT '', digests, block_size FROM block_digests WHERE image_id = ?1",
        [row.id],
    ):
        blocks.setdefault(replaced_at, []).append((digests, block_size))
    return [
        EarlierRecord(_record(row, values, blocks.get(replaced_at, ()), number), replaced_at)
        for (replaced_at, number), values in sorted(groups.items(), key=_by_age)
    ]


def _by_age(group: tuple[tuple[str, int], object]) -> tuple[bool, str, int]:
    (replaced_at, number), _ = group
    return not replaced_at, replaced_at, number


def _record(
    row: ImageRow,
    values: Sequence[tuple[str, str, int, str, str]],
    blocks: Sequence[tuple[bytes, int]],
    number: int,
) -> FixityRecord:
    digests, block_size = blocks[number] if number < len(blocks) else (b"", 0)
    return FixityRecord(
        values[0][2],
        row.mtime_ns,
        {algorithm: digest for algorithm, digest, *_ in values},
        digests,
        block_size,
        min(recorded_at for *_, recorded_at, _ in values),
        max(confirmed_at for *_, confirmed_at in values),
    )
