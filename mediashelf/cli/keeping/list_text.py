"""The images on record on screen: a table, totals, and what waits for somebody."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice

import click

from mediashelf.catalogue.images import findings_on_record
from mediashelf.catalogue.store import Catalogue
from mediashelf.cli.keeping.columns import COLUMNS, IF_ANY, USUAL
from mediashelf.cli.render import fits, is_piped, say, say_findings, say_wrapped, table
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.library.listing import ListedImage, SetGaps
from mediashelf.text import count_text, first_text, size_text

_PLACES_SHOWN = 5  # of one rule in one image; the rest are counted
_GAPS_SHOWN = 10
_AT_ONCE = 1000  # images whose cells are made together


class _Listed:
    """What is printed of images: the cells of a table, and what they come to.

    Of an image no more is kept, as there can be many.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self.columns: dict[str, list[str]] = {name: [] for name in names}
        self.gaps = SetGaps()
        self.shelves: set[str] = set()
        self.count = self.size = self.waiting = 0

    def take(self, images: Sequence[ListedImage]) -> None:
        for name, cells in self.columns.items():
            cells += map(COLUMNS[name].text, images)
        rows = [image.row for image in images]
        self.count += len(rows)
        self.size += sum([row.size for row in rows])
        self.shelves.update([row.shelf for row in rows])
        self.waiting += [row.state for row in rows].count(State.CHANGED.value)
        for image in images:
            self.gaps.look_at(image)

    def pick(self, picked: Sequence[str]) -> tuple[list[str], list[tuple[str, ...]]]:
        """Return the names and rows of the table: the columns picked, else those of use."""
        names = list(picked) or [*USUAL, *(name for name in IF_ANY if any(self.columns[name]))]
        cells = list(zip(*map(self.columns.__getitem__, names), strict=True))
        if not picked and not is_piped() and not fits(names, cells):
            names = list(USUAL)  # what is seldom there goes before the table falls apart
            cells = [row[: len(names)] for row in cells]
        return names, cells


def say_list(
    catalogue: Catalogue, images: Iterable[ListedImage], picked: Sequence[str], *, quiet: bool
) -> None:
    """Print the table; into a pipe one line an image, however long."""
    listed = _Listed(picked or (*USUAL, *IF_ANY))
    images = iter(images)
    while some := list(islice(images, _AT_ONCE)):
        listed.take(some)
    if not listed.count:
        if not quiet:
            _say_nothing(catalogue)
        return
    names, cells = listed.pick(picked)
    right = ",".join(name for name in names if COLUMNS[name].is_right)
    # At once: a line for each of ten thousand images takes as long as all the rest.
    click.echo("\n".join(table(names, cells, right=right, in_lines=is_piped())))
    if not quiet:
        _say_totals(listed)


def _say_nothing(catalogue: Catalogue) -> None:
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


def _say_totals(listed: _Listed) -> None:
    images = count_text(listed.count, "image")
    shelves = count_text(len(listed.shelves), "shelf", "shelves")
    say(f"{images}, {size_text(listed.size)}, on {shelves}")
    if listed.waiting:
        say_wrapped(
            f"{listed.waiting:,} changed, waiting: accept what is right with: mediashelf scan "
            "--accept IMAGE"
        )
    for gap in islice(listed.gaps, _GAPS_SHOWN):
        discs = "disc" if len(gap.missing) == 1 else "discs"
        numbers = first_text([str(number) for number in gap.missing], _GAPS_SHOWN)
        say_wrapped(f"{gap.name}: {discs} {numbers} of {gap.size:,} not among these")


def say_findings_of(catalogue: Catalogue, images: Iterable[ListedImage]) -> None:
    """Print what the last scan or audit found in each."""
    for row in (image.row for image in images):
        findings = findings_on_record(catalogue.db, row.id)
        if findings or row.problem:
            say()
            say(row.where)
            if row.problem:
                say_wrapped(row.problem, indent=2)
            say_findings(findings, limit=_PLACES_SHOWN)
