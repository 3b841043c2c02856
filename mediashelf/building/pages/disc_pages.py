"""What the pages on a disc tell beyond its own files: drivers, notes, the discs of a series.

Plain values: whoever knows drivers fills the rows in. Paths are those of the disc that
is meant, parts joined by ``/``; a short path is the one of the ISO tree.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from msgspec import Struct


class DriverRow(NamedTuple):
    """One device, the package for it, and where that is.

    Both paths are empty where there is no package. ``disc`` is the number of the disc
    of the series, 0 where there is no series.
    """

    device_class: str
    device: str
    package: str
    short_path: str = ""
    long_path: str = ""
    disc: int = 0


class DriverTable(NamedTuple):
    """Rows under one title; those of one class are together."""

    title: str
    rows: tuple[DriverRow, ...]


class Note(NamedTuple):
    """What the maker of the disc says of one folder; ``text`` may have several lines."""

    short_path: str
    long_path: str
    text: str


class SeriesPart(NamedTuple):
    """One package of a series with the bytes of its files; a path is ``/`` for the root.

    ``is_whole`` is False where only the files of the folder are meant, and not the
    folders in it.
    """

    short_path: str
    long_path: str
    size: int
    is_whole: bool = True


class SeriesDisc(NamedTuple):
    """One disc of a series under its label."""

    label: str
    parts: tuple[SeriesPart, ...]


class Series(NamedTuple):
    """All discs of a series in order; ``number`` is this disc's, from 1."""

    number: int
    discs: tuple[SeriesDisc, ...]


class DiscPages(Struct, frozen=True):
    """What is handed to the planner of a disc for its pages."""

    tables: tuple[DriverTable, ...] = ()
    series: Series | None = None


class PagesSize(NamedTuple):
    """Bytes of both pages of a disc, or of parts of them."""

    text: int = 0
    html: int = 0


def tables_size(tables: Iterable[DriverTable]) -> int:
    """Return bytes that these tables surely fit in on either page, whatever paths they get."""
    return sum(
        400 + sum(1000 + 8 * len("".join((row.device, row.package))) for row in table.rows)
        for table in tables
    )
