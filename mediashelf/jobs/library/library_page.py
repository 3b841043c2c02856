"""What the page of a library says beside the rows: who reads each image, names of files inside."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from mediashelf.catalogue.questions.duplicates import content_key
from mediashelf.catalogue.questions.same_disc import find_same_discs
from mediashelf.catalogue.readable import iter_reading
from mediashelf.catalogue.records.entry_rows import entry_names
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.catalogue.summaries import summaries_of
from mediashelf.jobs.library.listing import ListedImage, complete, reaches_systems
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.readability.targets import load_targets
from mediashelf.reports.library.file_names import Listing, pack_names
from mediashelf.reports.library.packing import ListedDisc
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
    progress: Progress = no_progress,
) -> tuple[str, int]:
    """Return the page of these images, and how many of them have names that did not fit on it.

    No image is opened: answers come from the facts on record.
    """
    targets = list(load_targets(targets_folder).values())
    complete(catalogue, rows, targets, progress)
    known = summaries_of(catalogue, rows)
    total = len(rows) * (2 if with_files else 1)
    with progress("making the page", total=total, unit="image") as on_image:
        discs: dict[int, ListedDisc] = {}
        for row, answers in iter_reading(catalogue, rows, targets):
            on_image(1)
            if answers is not None and not reaches_systems(row):
                answers = (False,) * len(targets)  # as in list --target
            image = ListedImage(row, known[row.id])
            discs[row.id] = ListedDisc(image.summary, image.set_text, answers)
        names = pack_names(_listings(catalogue, rows, on_image)) if with_files else None
        page = library_html(
            rows,
            {target.name: target.title for target in targets},
            discs,
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
