"""``mediashelf list --duplicates``: images that are there twice."""

from __future__ import annotations

from typing import Any

from mediashelf.catalogue.questions.duplicates import EqualImages
from mediashelf.catalogue.questions.same_disc import Alike, Likeness, SameDisc
from mediashelf.catalogue.rows import ImageRow
from mediashelf.cli.documents import document
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.cli.render import say, say_wrapped, table
from mediashelf.integrity.fixity.digests import BLOCK_SIZE
from mediashelf.jobs.library.duplicates import Duplicates
from mediashelf.text import block_unit, count_text, size_text

_WORDS = {
    Likeness.PADDED: "the same bytes, then zeros",
    Likeness.OTHER_SECTORS: "raw sectors instead of plain ones",
    Likeness.OTHER_LENGTH: "another length",
    Likeness.OTHER_BYTES: "as long, but other bytes",
}


def duplicates_document(found: Duplicates) -> dict[str, Any]:
    """Return the JSON answer."""
    return document(
        "list",
        to_free=found.to_free,
        duplicates=[
            {
                "size": group.size,
                "to_free": group.to_free,
                "media": group.media,
                "confirmed_last": group.confirmed_last.where,
                "images": [
                    image_dict(row) | {"is_link": row.id in group.links} for row in group.images
                ],
            }
            for group in found.copies
        ],
        same_discs=[
            {
                "first": image_dict(same.first),
                "others": [
                    {
                        "likeness": other.likeness,
                        "is_proved": other.is_proved,
                        "equal_blocks": other.equal_blocks,
                        "blocks": other.blocks,
                        "image": image_dict(other.image),
                    }
                    for other in same.others
                ],
            }
            for same in found.same_discs
        ],
    )


def say_duplicates(found: Duplicates, *, quiet: bool) -> None:
    """Print the groups, and what they come to."""
    for group in found.copies:
        _say_copies(group)
    for same in found.same_discs:
        _say_same_disc(same)
    if quiet:
        return
    if not found.copies:
        say("No image is there twice with the same bytes.")
        return
    groups = count_text(len(found.copies), "group of copies", "groups of copies")
    say_wrapped(
        f"{groups}: {size_text(found.to_free)} to free if one copy of each stays. Nothing was "
        "deleted; what matters deserves two copies, on two media."
    )


def _say_copies(group: EqualImages) -> None:
    media = f"on {group.media} media" if group.media > 1 else "all on one medium"
    label = group.images[0].label
    say(
        f"{len(group.images):,} copies of {size_text(group.size)}, {media}, "
        f"{size_text(group.to_free)} to free{f': {label}' if label else ''}"
    )
    last = group.confirmed_last
    rows = [_cells(row, group, last) for row in group.images]
    _say_table(("image", "state", "confirmed", ""), rows)
    say()


def _cells(row: ImageRow, group: EqualImages, last: ImageRow) -> tuple[str, ...]:
    remark = "a link, takes up nothing" if row.id in group.links else ""
    if row is last and any(each.confirmed_at < last.confirmed_at for each in group.images):
        remark = "confirmed last"
    return (row.where, row.state_word, row.confirmed_at[:10], remark)


def _say_same_disc(same: SameDisc) -> None:
    is_proved = all(other.is_proved for other in same.others)
    how = "The same disc" if is_proved else "Looks like the same disc"
    label = same.first.label
    say(f"{how} in other bytes{f': {label}' if label else ''}")
    first = (same.first.where, size_text(same.first.size), same.first.state_word, "")
    rows = [first, *(_alike_cells(other) for other in same.others)]
    _say_table(("image", "size", "state", "beside the first"), rows, right="size")
    if not is_proved:
        other = next(each for each in same.others if not each.is_proved)
        say_wrapped(
            "Labels, dates, names, sizes and places are equal; to compare every byte: "
            f"mediashelf compare '{same.first.where}' '{other.image.where}'",
            indent=2,
        )
    say()


def _alike_cells(other: Alike) -> tuple[str, ...]:
    words = _WORDS[other.likeness]
    if other.is_proved:
        words += ", proved by digests"
    elif other.blocks:
        words += (
            f"; {other.equal_blocks:,} of {other.blocks:,} blocks of {block_unit(BLOCK_SIZE)} "
            f"{'is' if other.equal_blocks == 1 else 'are'} equal"
        )
    row = other.image
    return (row.where, size_text(row.size), row.state_word, words)


def _say_table(headers: tuple[str, ...], rows: list[tuple[str, ...]], right: str = "") -> None:
    for line in table(headers, rows, right=right):
        say(f"  {line}" if line else line)
