"""The parts of the index page that come before the list of files, as lines of text."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import groupby

from mediashelf.building.naming.characters import ascii_text
from mediashelf.building.pages.disc_pages import (
    DriverRow,
    DriverTable,
    Note,
    Series,
    SeriesDisc,
    SeriesPart,
)
from mediashelf.text import count_text, wrap

WIDTH = 79  # an 80-column screen breaks the line after the 80th character


def backslashes(path: str) -> str:
    """Return a path as DOS writes it."""
    return path.replace("/", "\\")


def long_name_lines(name: str, *, indent: str) -> Iterator[str]:
    """Yield the lines of one long name; it is broken anywhere, as spaces count in it."""
    lead, text = f"{indent}= ", ascii_text(name)
    while text:
        room = WIDTH - len(lead)
        yield f"{lead}{text[:room]}"
        lead, text = f"{indent}    ", text[room:]


def path_lines(short_path: str, long_path: str, *, indent: str, before: str = "") -> Iterator[str]:
    """Yield the lines of a path of the ISO tree, and the long path where it is another."""
    yield from _wrapped(f"{before}{backslashes(short_path)}", indent)
    if long_path.upper() != short_path:
        yield from long_name_lines(backslashes(long_path), indent=indent)


def note_lines(notes: Iterable[Note]) -> Iterator[str]:
    """Yield what the maker says, each note under its folder."""
    yield from ("", "Notes")
    for note in notes:
        yield ""
        yield from path_lines(note.short_path, note.long_path, indent="")
        for line in note.text.strip().splitlines():
            yield from _wrapped(line, "  ") if line.strip() else [""]


def table_lines(table: DriverTable) -> Iterator[str]:
    """Yield a table of drivers: class, device, package and path below each other."""
    yield ""
    yield from _wrapped(table.title, "")
    for device_class, rows in groupby(table.rows, key=lambda row: row.device_class):
        yield ""
        yield from _wrapped(device_class or "other", "")
        for devices, row in by_package(rows):
            for device in devices:
                yield from _wrapped(device, "  ")
            yield from _package_lines(row)


def by_package(rows: Iterable[DriverRow]) -> Iterator[tuple[list[str], DriverRow]]:
    """Yield the devices of neighbouring rows with the same package, and one of the rows."""
    for _, group in groupby(rows, key=lambda row: row._replace(device="")):
        same = list(group)
        yield [row.device for row in same], same[0]


def _package_lines(row: DriverRow) -> Iterator[str]:
    yield from _wrapped(row.package, "    ")
    if row.short_path:
        place = f"disc {row.disc}: " if row.disc else ""
        yield from path_lines(row.short_path, row.long_path, indent="    ", before=place)
        if is_inf(row):
            yield from _wrapped(f"type {typed_folder(row)}", "    ")


def is_inf(row: DriverRow) -> bool:
    """Whether a row's place is an INF, whose folder a system asks for."""
    return row.short_path.upper().endswith(".INF")


def typed_folder(row: DriverRow) -> str:
    """Return what a person types where a system asks for the driver's place."""
    return "D:" + (backslashes(row.short_path.rpartition("/")[0]) or "\\")


def series_title(series: Series) -> str:
    """Return which disc of the series this is."""
    return f"This is disc {series.number} of {len(series.discs)}."


def disc_title(number: int, disc: SeriesDisc, series: Series) -> str:
    """Return the heading of one disc of the series."""
    here = " (this disc)" if number == series.number else ""
    return f"disc {number}: {disc.label}{here}"


def series_lines(series: Series) -> Iterator[str]:
    """Yield what is on every disc of the series, package by package with its bytes."""
    yield from ("", "All discs")
    for number, disc in enumerate(series.discs, start=1):
        yield ""
        yield from _wrapped(disc_title(number, disc, series), "")
        yield from _part_lines(disc.parts)


@lru_cache(maxsize=1024)  # they are the same on the pages of every disc
def _part_lines(parts: tuple[SeriesPart, ...]) -> tuple[str, ...]:
    return tuple(_iter_part_lines(parts))


def _iter_part_lines(parts: Iterable[SeriesPart]) -> Iterator[str]:
    for part in parts:
        what = "" if part.is_whole else " (files only)"
        size = count_text(part.size, "byte") + what
        path = backslashes(part.short_path)
        line = f"  {path:<40}  {size:>22}" if len(path) <= 40 else ""
        if line and len(line) <= WIDTH:
            yield line
        else:
            yield from _wrapped(path, "  ")
            yield f"      {size}"
        if part.long_path.upper() != part.short_path:
            yield from long_name_lines(backslashes(part.long_path), indent="  ")


def _wrapped(text: str, indent: str) -> list[str]:
    return wrap(ascii_text(text), WIDTH, lead=indent, rest=f"{indent}  ")
