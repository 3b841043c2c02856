"""The columns of ``list``, as a person reads them and as another program does."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache
from typing import Any

import click
from msgspec import Struct

from mediashelf.catalogue.images import kinds_of
from mediashelf.catalogue.rows import day_shown
from mediashelf.findings import Severity
from mediashelf.integrity.fixity.states import WORST_FIRST
from mediashelf.jobs.library.listing import ListedImage
from mediashelf.text import count_text, did_you_mean, size_text

Cell = Callable[[ListedImage], str]


class Column(Struct, frozen=True):
    """``text`` is the cell on screen; ``data`` that of CSV, where it differs.

    ``key`` is what is sorted by, where that is not the cell.
    """

    text: Cell
    data: Cell | None = None
    key: Callable[[ListedImage], Any] | None = None
    is_right: bool = False

    def csv(self, image: ListedImage) -> str:
        """Return the cell for CSV."""
        return (self.data or self.text)(image)

    def order(self, image: ListedImage) -> Any:
        """Return what images are sorted by."""
        return self.key(image) if self.key is not None else self.text(image).casefold()


@cache
def _volumes(kinds: tuple[str, ...]) -> str:
    return "+".join(dict.fromkeys(kinds))


def _findings(image: ListedImage) -> str:
    counts = image.row.finding_counts
    if not counts:
        return ""
    return ", ".join(
        count_text(counts[severity], severity.word)
        for severity in sorted(Severity, reverse=True)
        if severity in counts
    )


def _published(image: ListedImage) -> str:
    words = {True: "as published", False: "not as published", None: "not compared"}
    return ", ".join(dict.fromkeys(words[one.is_met] for one in image.row.expected))


def _set_data(image: ListedImage) -> str:
    number, size = image.set_place
    return " ".join(filter(None, [image.set_name, f"{number}/{size}"])) if size else ""


_LAST = len(WORST_FIRST)
_RANKS: dict[str, int] = {state.value: rank for rank, state in enumerate(WORST_FIRST)}

COLUMNS: dict[str, Column] = {
    "image": Column(lambda image: image.row.path),
    "shelf": Column(lambda image: image.row.shelf),
    "label": Column(lambda image: image.row.label),
    "volumes": Column(lambda image: _volumes(kinds_of(image.row))),
    "size": Column(
        lambda image: size_text(image.row.size),
        lambda image: str(image.row.size),
        lambda image: image.row.size,
        is_right=True,
    ),
    "state": Column(
        lambda image: image.row.state_word, key=lambda image: _RANKS.get(image.row.state, _LAST)
    ),
    "findings": Column(_findings),
    "created": Column(lambda image: image.summary.created[:10], lambda i: i.summary.created),
    "modified": Column(lambda image: image.summary.modified[:10], lambda i: i.summary.modified),
    "effective": Column(lambda image: image.summary.effective[:10], lambda i: i.summary.effective),
    "application": Column(lambda image: image.summary.application),
    "boot": Column(lambda image: ", ".join(image.summary.boot)),
    "scripts": Column(lambda image: ", ".join(image.summary.scripts)),
    "installers": Column(lambda image: ", ".join(image.summary.installers)),
    "set": Column(
        lambda image: image.set_text,
        _set_data,
        lambda image: (image.set_name.casefold(), image.set_place),
    ),
    "tags": Column(lambda image: ", ".join(image.row.description.tags)),
    "note": Column(
        lambda image: " ".join(image.row.description.note.split()),
        lambda image: image.row.description.note,
    ),
    "place": Column(lambda image: image.row.description.place),
    "part-number": Column(lambda image: image.row.description.part_number),
    "recorded": Column(lambda i: day_shown(i.row.recorded_at), lambda i: i.row.recorded_at),
    "confirmed": Column(lambda i: day_shown(i.row.confirmed_at), lambda i: i.row.confirmed_at),
    "published": Column(_published),
    "digest": Column(lambda image: image.row.key_digest),
    "file": Column(lambda image: str(image.row.file)),
}
"""Every column by its name, in the order of CSV."""

USUAL = ("image", "shelf", "label", "volumes", "size", "state", "findings")

IF_ANY = ("set", "tags")
"""Columns that are shown too where an image has something in them."""


OF_DISCS = frozenset(
    ("created", "modified", "effective", "application", "boot", "scripts", "installers", "set")
)
"""Columns that are a disc's own word."""

OF_RECORDS = frozenset(("recorded", "confirmed", "digest"))
"""Columns that need the digests on record."""


def picked_columns(
    context: click.Context, option: click.Parameter, text: str | None
) -> tuple[str, ...]:
    """Return the columns that ``--columns`` names; none where it was not given."""
    names = tuple(filter(None, ((text or "").replace(" ", "").lower()).split(",")))
    for name in names:
        if name not in COLUMNS:
            near = did_you_mean(name, COLUMNS)
            raise click.BadParameter(
                f"no column is called {name!r}{near} (columns: {', '.join(COLUMNS)})"
            )
    return names


def sorted_by(images: Iterable[ListedImage], name: str, *, reverse: bool) -> list[ListedImage]:
    """Return the images in the order of a column; equal ones stay by shelf and path."""
    return sorted(images, key=COLUMNS[name].order, reverse=reverse)
