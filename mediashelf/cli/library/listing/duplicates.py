"""``mediashelf list --duplicates``: images that are there twice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from mediashelf.catalogue.questions.duplicates import EqualImages
from mediashelf.catalogue.questions.same_disc import Alike, Likeness, SameDisc
from mediashelf.catalogue.rows import ImageRow, day_shown
from mediashelf.cli.documents import document
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.cli.render import say, say_wrapped, table
from mediashelf.jobs.library.duplicates import Duplicates
from mediashelf.text import count_text, size_text

_WORDS = {
    Likeness.WRAPPED: "in a compressed file or archive",
    Likeness.PADDED: "the same bytes, then zeros",
    Likeness.OTHER_SECTORS: "raw sectors",
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


CSV_COLUMNS = (
    *("group", "relation", "is-proved", "image", "shelf", "size", "to-free", "state"),
    *("confirmed", "file"),
)


def csv_rows(found: Duplicates) -> Iterator[tuple[str, ...]]:
    """Yield one row for each image of each group; what can be freed is in its first row.

    Relations are ``copy``, ``link``, ``first`` of images that look like one disc, and the
    words of :class:`Likeness`.
    """
    for number, group in enumerate(found.copies, 1):
        for at, row in enumerate(group.images):
            relation = "link" if row.id in group.links else "copy"
            yield _csv_row(number, relation, True, row, "" if at else str(group.to_free))
    for number, same in enumerate(found.same_discs, len(found.copies) + 1):
        yield _csv_row(number, "first", False, same.first, "")
        for other in same.others:
            yield _csv_row(number, other.likeness.value, other.is_proved, other.image, "")


def _csv_row(
    number: int, relation: str, is_proved: bool, row: ImageRow, to_free: str
) -> tuple[str, ...]:
    proved = "yes" if is_proved else "no"
    data = (row.path, row.shelf, str(row.size), to_free, row.state, row.confirmed_at)
    return (str(number), relation, proved, *data, str(row.file))


def say_duplicates(found: Duplicates, count: int, *, quiet: bool) -> None:
    """Print the groups among so many images, and what they come to."""
    for group in found.copies:
        _say_copies(group)
    for same in found.same_discs:
        _say_same_disc(same)
    if quiet:
        return
    _say_how_to_prove(found.same_discs)
    if not found.copies:
        among = count_text(count, "image")
        say_wrapped(f"No image is there twice with the same bytes among these {among}.")
        return
    groups = count_text(len(found.copies), "group of copies", "groups of copies")
    say_wrapped(
        f"{groups}: {size_text(found.to_free)} to free if one copy of each stays. Nothing was "
        "deleted; what matters deserves two copies, on two media."
    )


def _say_copies(group: EqualImages) -> None:
    media = f"on {group.media} media" if group.media > 1 else "all on one medium"
    label = group.images[0].label
    say_wrapped(
        f"{len(group.images):,} copies of {size_text(group.size)}, {media}, "
        f"{size_text(group.to_free)} to free{f': {label}' if label else ''}"
    )
    last = group.confirmed_last
    rows = [_cells(row, group, last) for row in group.images]
    _say_table(("image", "state", "confirmed", "remark"), rows)
    say()


def _cells(row: ImageRow, group: EqualImages, last: ImageRow) -> tuple[str, ...]:
    remark = "a link, takes up nothing" if row.id in group.links else ""
    if row is last and any(each.confirmed_at < last.confirmed_at for each in group.images):
        remark = "confirmed last"
    return (row.where, row.state_word, day_shown(row.confirmed_at), remark)


def _say_same_disc(same: SameDisc) -> None:
    is_proved = all(other.is_proved for other in same.others)
    how = "The same disc" if is_proved else "Looks like the same disc"
    label = same.first.label
    say_wrapped(f"{how} in other bytes{f': {label}' if label else ''}")
    first = (same.first.where, size_text(same.first.size), "")
    rows = [first, *(_alike_cells(other) for other in same.others)]
    _say_table(("image", "size", "beside the first"), rows, right="size")
    say()


def _say_how_to_prove(same_discs: Sequence[SameDisc]) -> None:
    unproved = [
        (same.first, other.image)
        for same in same_discs
        for other in same.others
        if not other.is_proved
    ]
    if unproved:
        first, other = unproved[0]
        say_wrapped(
            "Of discs that look the same, labels, dates, names, sizes and places are equal. To "
            f"compare every byte: mediashelf compare '{first.where}' '{other.where}'"
        )


def _alike_cells(other: Alike) -> tuple[str, ...]:
    words = _WORDS[other.likeness]
    if other.is_proved:
        words += ", proved by digests"
    elif other.blocks:
        words += f", {other.equal_blocks:,} of {count_text(other.blocks, 'block')} equal"
    return (other.image.where, size_text(other.image.size), words)


def _say_table(headers: tuple[str, ...], rows: list[tuple[str, ...]], right: str = "") -> None:
    for line in table(headers, rows, right=right):
        say(f"  {line}" if line else line)
