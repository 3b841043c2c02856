"""Images that differ in bytes and look like the same disc: raw and converted, padded, damaged.

Asked of what is on record; no image is opened. Two images look like the same disc when
their volumes have the same kinds, labels and dates, and the same entries at the same
places with the same sizes and dates. That proves nothing of the bytes in between. Proved
is only what digests show: that one image is another with zeros after it, where the
shorter one ends at the end of a block that has a digest of its own; and that what a
compressed file or an archive holds has the digest of another image.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import StrEnum
from typing import NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.questions.duplicates import content_key
from mediashelf.catalogue.records.inside import contents_inside, is_wrapping_name
from mediashelf.catalogue.records.reading import reads_catalogue
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.formats.volume import DiscFacts
from mediashelf.integrity.fixity.digests import BLOCK_DIGEST_SIZE, block_digest, differing_blocks


class Likeness(StrEnum):
    """How an image is like the first one of its group."""

    WRAPPED = "wrapped"  # in a compressed file or an archive
    PADDED = "padded"  # the same bytes and zeros after them
    OTHER_SECTORS = "other-sectors"  # raw sectors here, plain ones there
    OTHER_LENGTH = "other-length"
    OTHER_BYTES = "other-bytes"  # as long, and not equal


class Alike(Struct, frozen=True):
    """An image like the first of its group: how, whether that is proved, and what was compared."""

    image: ImageRow
    likeness: Likeness
    is_proved: bool
    equal_blocks: int = 0
    blocks: int = 0


class SameDisc(Struct, frozen=True):
    """Images that look like one disc and have different bytes; one of each content."""

    first: ImageRow
    others: tuple[Alike, ...]


class _Blocks(NamedTuple):
    size: int
    digests: bytes


def find_same_discs(db: sqlite3.Connection, rows: Iterable[ImageRow]) -> list[SameDisc]:
    """Return the groups of images that look like one disc, by the place of their first."""
    rows = [row for row in rows if content_key(row) and row.presence is not Presence.MISSING]
    wrapped = _wrapped_by_content(rows, contents_inside(db))
    proved = {row.id for same in wrapped.values() for row in same}
    found: list[SameDisc] = []
    for group in _alike_by_rows(row for row in rows if row.id not in proved):
        by_structure: dict[bytes, list[ImageRow]] = {}
        for row in group:
            facts = facts_of(db, row.id)
            if facts is not None and any(volume.entries for volume in facts.volumes):
                by_structure.setdefault(_structure_digest(facts), []).append(row)
        found += [_same_disc(db, same) for same in by_structure.values() if len(same) > 1]
    return sorted(_with_wrapped(found, rows, wrapped), key=lambda one: _place(one.first))


def _place(row: ImageRow) -> tuple[str, str]:
    return row.shelf, row.path


def _wrapped_by_content(
    rows: Sequence[ImageRow], inside: Mapping[int, Sequence[str]]
) -> dict[str, list[ImageRow]]:
    """Return the images that hold the bytes of another one, or the same as another, by these."""
    plain = {content_key(row) for row in rows}
    found: dict[str, list[ImageRow]] = {}
    for row in rows:
        for content in dict.fromkeys(inside.get(row.id, ())):
            found.setdefault(content, []).append(row)
    return {
        content: same
        for content, same in found.items()
        if content in plain or len({content_key(row) for row in same}) > 1
    }


def _with_wrapped(
    found: Iterable[SameDisc], rows: Sequence[ImageRow], wrapped: dict[str, list[ImageRow]]
) -> Iterator[SameDisc]:
    """Add what digests prove to the groups, and make groups for what is in none."""
    plain: dict[str, ImageRow] = {}
    for row in rows:
        plain.setdefault(content_key(row), row)
    left = dict(wrapped)
    for same in found:
        more = _one_of_each(left.pop(content_key(same.first), []))
        yield replace(same, others=(*same.others, *_all_proved(more)))
    for content, same_bytes in left.items():
        first = plain.get(content)
        others = _one_of_each(same_bytes)
        if first is None:
            first, *others = others
        yield SameDisc(first, _all_proved(others))


def _one_of_each(rows: Iterable[ImageRow]) -> list[ImageRow]:
    """Return one image of each content, by place."""
    found: dict[str, ImageRow] = {}
    for row in sorted(rows, key=_place):
        found.setdefault(content_key(row), row)
    return list(found.values())


def _all_proved(rows: Sequence[ImageRow]) -> tuple[Alike, ...]:
    return tuple(Alike(row, Likeness.WRAPPED, True) for row in rows)


def _alike_by_rows(rows: Iterable[ImageRow]) -> Iterator[list[ImageRow]]:
    """Yield images that may be one disc by what their rows say, one of each content."""
    groups: dict[tuple[object, ...], dict[str, ImageRow]] = {}
    for row in rows:
        if row.entry_count:
            like = (row.entry_count, row.labels, row.kinds)
            groups.setdefault(like, {}).setdefault(content_key(row), row)
    return (list(group.values()) for group in groups.values() if len(group) > 1)


def _structure_digest(facts: DiscFacts) -> bytes:
    """Return a digest of all that a disc's descriptors and directories say, but its size."""
    digest = hashlib.sha256(usedforsecurity=False)
    for volume in facts.volumes:
        head = (volume.kind, volume.label, volume.created, volume.modified, volume.block_count)
        digest.update(repr(head).encode("utf-8", "surrogatepass"))
        for entry in sorted(volume.entries):
            # What is not read from the disc itself, such as the place of a record, is left out.
            told = (entry.path, entry.size, entry.is_directory, entry.extents, entry.date)
            digest.update(repr(told).encode("utf-8", "surrogatepass"))
    boot = None if facts.boot is None else facts.boot.entries
    digest.update(repr((boot, facts.sessions)).encode("utf-8"))
    return digest.digest()


def _same_disc(db: sqlite3.Connection, rows: Sequence[ImageRow]) -> SameDisc:
    # The shortest plain image first: a padded, raw or compressed one is made of that.
    first, *others = sorted(
        rows,
        key=lambda row: (is_wrapping_name(row.path), row.looks_raw, row.size, row.shelf, row.path),
    )
    return SameDisc(first, tuple(_alike(db, first, other) for other in others))


def _alike(db: sqlite3.Connection, first: ImageRow, other: ImageRow) -> Alike:
    if is_wrapping_name(other.path):
        return Alike(other, Likeness.WRAPPED, False)
    if first.looks_raw != other.looks_raw:
        return Alike(other, Likeness.OTHER_SECTORS, False)
    one, two = _blocks(db, first), _blocks(db, other)
    if one is None or two is None or one.size != two.size:
        even = Likeness.OTHER_BYTES if first.size == other.size else Likeness.OTHER_LENGTH
        return Alike(other, even, False)
    whole = first.size // one.size
    end = whole * BLOCK_DIGEST_SIZE
    equal = whole - len(differing_blocks(one.digests[:end], two.digests[:end]))
    if first.size == other.size:
        total = -(-first.size // one.size)
        equal = total - len(differing_blocks(one.digests, two.digests))
        return Alike(other, Likeness.OTHER_BYTES, False, equal, total)
    is_proved = (
        equal == whole
        and first.size == whole * one.size
        and two.digests[end:] == _zero_digests(other.size - first.size, one.size)
    )
    likeness = Likeness.PADDED if is_proved else Likeness.OTHER_LENGTH
    return Alike(other, likeness, is_proved, equal, whole)


def _zero_digests(size: int, block_size: int) -> bytes:
    """Return the block digests of so many zeros."""
    whole, rest = divmod(size, block_size)
    digests = block_digest(bytes(block_size)) * whole
    return digests + (block_digest(bytes(rest)) if rest else b"")


@reads_catalogue
def _blocks(db: sqlite3.Connection, row: ImageRow) -> _Blocks | None:
    found = db.execute(
        "SELECT block_size, digests FROM block_digests WHERE image_id = ?", [row.id]
    ).fetchone()
    return None if found is None or not found[0] else _Blocks(*found)
