"""What the page of a library says beside the rows: who reads each image, names of files inside."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from mediashelf.catalogue.questions.duplicates import content_key
from mediashelf.catalogue.questions.entry_names import entry_names
from mediashelf.catalogue.questions.same_disc import find_same_discs
from mediashelf.catalogue.readable import iter_reading
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.jobs.library.listing import is_served, is_wrong
from mediashelf.readability.targets import load_targets
from mediashelf.reports.library.file_names import Listing, pack_names
from mediashelf.reports.library.page import library_html


def library_page(
    catalogue: Catalogue,
    rows: Sequence[ImageRow],
    *,
    created: str,
    created_by: str,
    scope: str = "",
    targets_folder: Path | None = None,
    with_files: bool = False,
    on_image: Callable[[int], None] = lambda count: None,
) -> tuple[str, int]:
    """Return the page of these images, and how many of them have names that did not fit on it.

    No image is opened: answers come from the facts on record. ``on_image`` is called for
    each image, and again for each of which the names are packed.
    """
    targets = list(load_targets(targets_folder).values())
    reads: dict[int, tuple[bool, ...]] = {}
    for row, answers in iter_reading(catalogue, rows, targets):
        on_image(1)
        if answers is not None:
            is_good = is_served(row) and not is_wrong(row)  # as in list --target
            reads[row.id] = answers if is_good else (False,) * len(targets)
    names = pack_names(_listings(catalogue, rows, on_image)) if with_files else None
    page = library_html(
        rows,
        {target.name: target.title for target in targets},
        reads,
        created=created,
        created_by=created_by,
        scope=scope,
        same_discs=find_same_discs(catalogue.db, rows),
        names=names,
    )
    return page, 0 if names is None else names.left_out


def _listings(
    catalogue: Catalogue, rows: Sequence[ImageRow], on_image: Callable[[int], None]
) -> Iterator[Listing]:
    """Yield the entries of each image; those of images with equal bytes come once."""
    numbers: dict[str, list[int]] = {}
    for number, row in enumerate(rows):
        numbers.setdefault(content_key(row) or f"image {row.id}", []).append(number)
    for same in numbers.values():
        on_image(len(same))
        row = rows[same[0]]
        if row.entry_count:
            yield same, entry_names(catalogue.db, row.id)
