"""The images on record on screen: a table, totals, and what waits for somebody."""

from __future__ import annotations

from collections.abc import Sequence

import click

from mediashelf.catalogue.images import findings_on_record
from mediashelf.catalogue.store import Catalogue
from mediashelf.cli.keeping.columns import COLUMNS, USUAL, shown_columns
from mediashelf.cli.render import fits, is_piped, say, say_findings, say_wrapped, table
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.library.listing import ListedImage, find_gaps
from mediashelf.text import count_text, first_text, size_text

_PLACES_SHOWN = 5  # of one rule in one image; the rest are counted
_GAPS_SHOWN = 10


def say_list(
    catalogue: Catalogue, images: Sequence[ListedImage], picked: Sequence[str], *, quiet: bool
) -> None:
    """Print the table; into a pipe one line an image, however long."""
    if not images and quiet:
        return
    if not images:
        is_empty = not catalogue.shelves()
        is_filtered = bool(catalogue.images())
        say(
            "Nothing is on record yet. Start with: mediashelf shelf add FOLDER"
            if is_empty
            else "No image matches these filters."
            if is_filtered
            else "No image is on record. Look for them with: mediashelf scan"
        )
        if not catalogue.exists:
            say_wrapped(f"No catalogue exists at {catalogue.place} yet.")
        return
    names = shown_columns(images, picked)
    columns = [map(COLUMNS[name].text, images) for name in names]
    cells = list(zip(*columns, strict=True))
    if not picked and not is_piped() and not fits(names, cells):
        names = list(USUAL)  # what is seldom there goes before the table falls apart
        cells = [row[: len(names)] for row in cells]
    right = ",".join(name for name in names if COLUMNS[name].is_right)
    # At once: a line for each of ten thousand images takes as long as all the rest.
    click.echo("\n".join(table(names, cells, right=right, in_lines=is_piped())))
    if quiet:
        return
    rows = [image.row for image in images]
    shelves = len({row.shelf for row in rows})
    total = size_text(sum(row.size for row in rows))
    say(f"{count_text(len(rows), 'image')}, {total}, on {count_text(shelves, 'shelf', 'shelves')}")
    waiting = sum(row.state == State.CHANGED for row in rows)
    if waiting:
        say_wrapped(
            f"{waiting:,} changed, waiting: accept what is right with: mediashelf scan --accept "
            "IMAGE"
        )
    for gap in find_gaps(images)[:_GAPS_SHOWN]:
        discs = "disc" if len(gap.missing) == 1 else "discs"
        numbers = first_text([str(number) for number in gap.missing], _GAPS_SHOWN)
        say_wrapped(f"{gap.name}: {discs} {numbers} of {gap.size:,} not among these")


def say_findings_of(catalogue: Catalogue, images: Sequence[ListedImage]) -> None:
    """Print what the last scan or audit found in each."""
    for row in (image.row for image in images):
        findings = findings_on_record(catalogue.db, row.id)
        if findings or row.problem:
            say()
            say(row.where)
            if row.problem:
                say_wrapped(row.problem, indent=2)
            say_findings(findings, limit=_PLACES_SHOWN)
