"""Which images of the catalogue may hold bytes that a damaged image has lost."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from mediashelf.catalogue import images
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.store import Catalogue
from mediashelf.integrity.fixity.comparing import FixityRecord
from mediashelf.integrity.fixity.digests import BLOCK_DIGEST_SIZE, differing_blocks

MOST_COPIES = 16


def find_copies(catalogue: Catalogue, row: ImageRow, record: FixityRecord) -> list[ImageRow]:
    """Return images that are here and may hold what is on record of ``row``, likeliest first.

    First those with the same digest, ``row`` itself among them; then those that once
    had it; then those with equal blocks at equal places, as other editions of a disc
    have, most of them first; then those with its size and label. At most
    :data:`MOST_COPIES`.
    """
    ids = dict.fromkeys(_iter_candidates(catalogue, row, record))
    rows = images.by_ids(catalogue.db, ids)
    here = (rows[key] for key in ids if rows[key].presence is Presence.HERE)
    return list(islice((each for each in here if each.file.is_file()), MOST_COPIES))


def _iter_candidates(catalogue: Catalogue, row: ImageRow, record: FixityRecord) -> Iterator[int]:
    digests = tuple(record.digests.values())
    marks = ", ".join("?" * len(digests))
    for (image_id,) in catalogue.db.execute(
        f"SELECT image_id FROM fixity WHERE digest IN ({marks}) "
        "ORDER BY replaced_at, image_id IN (SELECT image_id FROM waiting), image_id",
        digests,
    ):  # a record in force has no date of replacement, and NULL comes first
        yield image_id
    shared = [
        (_count_shared(record.blocks, blocks), image_id)
        for image_id, blocks in catalogue.db.execute(
            "SELECT image_id, digests FROM block_digests WHERE block_size = ? ORDER BY image_id",
            [record.block_size],
        )
    ]
    for count, image_id in sorted(shared, key=lambda pair: -pair[0]):
        if count:
            yield image_id
    if row.label:
        for each in catalogue.images():
            if each.size == record.size and row.label in each.labels:
                yield each.id


def _count_shared(recorded: bytes, blocks: bytes) -> int:
    """Return how many blocks are equal at equal places."""
    total = max(len(recorded), len(blocks)) // BLOCK_DIGEST_SIZE
    return total - len(differing_blocks(recorded, blocks))
