"""The keeper's words on images: said of some, or brought back for many from a table."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct

from mediashelf.catalogue.auditing.names import recorded_image
from mediashelf.catalogue.keeping.describing import Change, describe, describe_each
from mediashelf.catalogue.keeping.naming import images_named
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import FormatError, InputError

KEEPERS_COLUMNS = ("note", "tags", "place", "part-number", "set")
"""The columns of a table that are the keeper's words; others are passed over."""


class BroughtBack(Struct, frozen=True):
    """What came of a table: its images, rows that no image on record is for, what is new.

    ``changed`` counts the images on which it said something else than what was said before.
    """

    described: tuple[ImageRow, ...]
    unknown: tuple[str, ...] = ()
    changed: int = 0


def rows_named(catalogue: Catalogue, names: Sequence[str]) -> list[ImageRow]:
    """Return the images on record that the names mean, each once."""
    found: dict[int, ImageRow] = {}
    for name in names:
        is_file = os.path.lexists(name)
        rows = [recorded_image(catalogue, name)] if is_file else images_named(catalogue, name)
        found.update({row.id: row for row in rows})
    return list(found.values())


def describe_images(catalogue: Catalogue, names: Sequence[str], change: Change) -> list[ImageRow]:
    """Change what is said of the images, all or none, and return them as they are then."""
    rows = rows_named(catalogue, names)
    if not change.is_nothing:
        describe(catalogue, rows, change)
        known = {row.id: row for row in catalogue.images()}
        rows = [known[row.id] for row in rows]
    return rows


def bring_back(
    catalogue: Catalogue, place: str, table: Sequence[tuple[int, Mapping[str, str]]]
) -> BroughtBack:
    """Let each row of a table say what it has on its image, all or none.

    A row names its image by ``digest``, else by ``shelf`` and ``image``. An empty cell
    takes back what was said; a column that is not there leaves it. ``place`` names the
    table. Raises :class:`FormatError` for one without such columns.
    """
    columns = set(table[0][1]) if table else set()
    if table and not ("digest" in columns or {"shelf", "image"} <= columns):
        raise FormatError(
            "first line", at=place, found=", ".join(columns), expected="digest, or shelf and image"
        )
    if table and not columns & set(KEEPERS_COLUMNS):
        raise FormatError(
            "first line", at=place, found=", ".join(columns), expected=", ".join(KEEPERS_COLUMNS)
        )
    by_digest = {row.key_digest: row for row in catalogue.images() if row.key_digest}
    by_place = {(row.shelf, row.path): row for row in catalogue.images()}
    changes: list[tuple[ImageRow, Change]] = []
    unknown: list[str] = []
    for number, cells in table:
        row = by_digest.get(cells.get("digest", "")) or by_place.get(
            (cells.get("shelf", ""), cells.get("image", ""))
        )
        if row is None:
            unknown.append(f"line {number}: {cells.get('image') or cells.get('digest') or ''}")
        elif row.key_digest:
            changes.append((row, _change(cells)))
    try:
        words = describe_each(catalogue, changes)
    except InputError as error:
        raise InputError(f"{place}: {error}; nothing of it was taken over") from error
    changed = sum(row.description != after for (row, _), after in zip(changes, words, strict=True))
    return BroughtBack(tuple(row for row, _ in changes), tuple(unknown), changed)


def _change(cells: Mapping[str, str]) -> Change:
    tags = cells.get("tags")
    return Change(
        note=_lines(cells.get("note")),
        place=cells.get("place"),
        part_number=cells.get("part-number"),
        set_text=cells.get("set"),
        tags=None if tags is None else tuple(_tags(tags)),
    )


def _lines(note: str | None) -> str | None:
    """A spreadsheet may end the lines of a cell as the lines of the file."""
    return None if note is None else note.replace("\r\n", "\n")


def _tags(text: str) -> Iterator[str]:
    return (tag for tag in map(str.strip, text.split(",")) if tag)
