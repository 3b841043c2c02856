"""Device lists with columns (CSV): a heading names the columns, each line is one device.

Which headings name an identifier or a name is common practice of the tools that print
such lists.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from mediashelf.drivers.machines.devices import Device, device_from_ids
from mediashelf.drivers.machines.identifiers import ENUMERATORS
from mediashelf.drivers.machines.line_findings import LineFindings
from mediashelf.drivers.machines.line_words import find_identifiers

_IDENTIFIERS = ("hardwareid", "hardwareids", "instanceid", "deviceid", "pnpdeviceid", "pnpid")
_COMPATIBLE = ("compatibleid", "compatibleids")
_NAMES = ("friendlyname", "name", "caption", "devicename", "description", "devicedescription")
_INSTANCE = re.compile(r"^([^\\]+\\[^\\]+)\\.*$")
_SEPARATORS = ",;\t"
_BETWEEN = re.compile(
    rf"[,;|\n]|\s+(?=\*|(?:{'|'.join(sorted(ENUMERATORS))})\\)|(?<=\s)\s+", re.IGNORECASE
)
_MOST_ABOVE = 20
"""Lines among which a heading is looked for."""
_MOST_JOINED = 64
"""Lines of one row that are looked at."""


class TableForm(NamedTuple):
    """Where the columns are; ``line`` is that of the heading, from 1."""

    line: int
    separator: str
    identifiers: tuple[int, ...]
    compatible: tuple[int, ...]
    name: int | None


def find_table(lines: Sequence[str]) -> TableForm | None:
    """Return the form of a text that begins with a heading, perhaps below a few other lines."""
    for number, line in enumerate(lines[:_MOST_ABOVE], 1):
        for mark in _SEPARATORS:
            if form := _heading(line, number, mark):
                return form
        if find_identifiers(line):
            break
    return None


def _heading(line: str, number: int, separator: str) -> TableForm | None:
    cells = [re.sub(r"[^a-z]", "", cell.lower()) for cell in line.split(separator)]
    identifiers = tuple(index for index, cell in enumerate(cells) if cell in _IDENTIFIERS)
    if len(cells) < 2 or not identifiers:
        return None
    # The first kind of column that is there, best first.
    order = sorted(identifiers, key=lambda index: _IDENTIFIERS.index(cells[index]))
    compatible = tuple(index for index, cell in enumerate(cells) if cell in _COMPATIBLE)
    name = next((cells.index(name) for name in _NAMES if name in cells), None)
    return TableForm(number, separator, tuple(order), compatible, name)


def read_row(form: TableForm, line: str, number: int, problems: LineFindings) -> Device | None:
    """Return the device of one line, None where no column has an identifier.

    Identifiers that are not complete are told to ``problems``, and left out.
    """
    try:
        cells = next(csv.reader(line.splitlines(keepends=True), delimiter=form.separator), [])
    except csv.Error:
        return None

    def column(index: int) -> list[str]:
        return _identifiers(cells[index]) if index < len(cells) else []

    hardware = next(filter(None, map(column, form.identifiers)), [])
    if not hardware:
        return None
    compatible = [text for index in form.compatible for text in column(index)]
    hardware, compatible = (problems.well_formed(number, ids) for ids in (hardware, compatible))
    name = cells[form.name].strip() if form.name is not None and form.name < len(cells) else ""
    return device_from_ids(hardware, compatible, name=name, line=number)


def join_rows(form: TableForm, lines: Sequence[str]) -> Iterator[tuple[int, str]]:
    """Yield the rows below the heading with their numbers; a quoted cell may have line ends.

    Where its quote is not closed soon, the line alone is the row.
    """
    number = form.line
    while number < len(lines):
        end = number + 1
        last = min(len(lines), number + _MOST_JOINED)
        odd = lines[number].count('"') % 2
        while odd and end < last:
            odd ^= lines[end].count('"') % 2
            end += 1
        end = number + 1 if odd else end
        yield number + 1, "\n".join(lines[number:end])
        number = end


def _identifiers(cell: str) -> list[str]:
    """Return the identifiers in a cell, without the part that tells one instance."""
    words = [word.strip(" {}\"'") for word in _BETWEEN.split(cell)]
    # Blanks in the name of a product stand where an identifier has underscores.
    words = [re.sub(r"\s", "_", word) for word in words]
    return [
        _INSTANCE.sub(r"\1", word)
        for word in words
        if "\\" in word or re.fullmatch(r"\*[A-Za-z]{3}[0-9A-Fa-f]{4}", word)
    ]
