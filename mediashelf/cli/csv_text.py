"""Tables for other programs: CSV as RFC 4180 has it, written and read.

Cells are the data itself, also where they begin with ``=``, ``+``, ``-`` or ``@``, which a
spreadsheet may take for a formula: a mark in front of them would come back as a part of the
name, the note or the tag. Whoever opens the file in a spreadsheet imports its columns as
text; the help says so. Only characters that steer a terminal become visible escapes.
"""

from __future__ import annotations

import codecs
import csv
import io
import sys
from collections.abc import Iterable, Sequence
from itertools import chain, islice
from pathlib import Path

import click

from mediashelf.errors import FormatError, InputError
from mediashelf.text import printable

_AT_ONCE = 1000  # rows
_LARGEST = 64 << 20  # bytes; more than notes on a library take


def say_csv(headers: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table: the headers first, lines ended by CR LF."""
    # Printed when all are made, so that the answer is whole; made some at once.
    out = sys.stdout
    encoder = codecs.getincrementalencoder(out.encoding)(out.errors or "strict")
    written: list[str | bytes] = []
    made = chain([headers], ([_safe(cell) for cell in row] for row in rows))
    while some := list(islice(made, _AT_ONCE)):
        text = io.StringIO(newline="")
        csv.writer(text, lineterminator="\r\n").writerows(some)
        piece = text.getvalue()
        # As bytes where nobody reads it: Windows would put another CR before each LF.
        written.append(piece if out.isatty() else encoder.encode(piece))
    for each in written:
        click.echo(each, nl=False)


def _safe(cell: str) -> str:
    """A line break may stay: a cell with one is quoted."""
    return "\n".join(map(printable, cell.split("\n")))


def read_csv(path: Path) -> list[tuple[int, dict[str, str]]]:
    """Return the rows of a file by header, each with the number of its last line.

    Raises :class:`InputError` for a file that cannot be read, and :class:`FormatError` for
    text that is not such a table.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > _LARGEST:
        raise InputError(f"{path}: has more than {_LARGEST:,} bytes; is it such a table?")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FormatError(
            "text", at=f"{path}: byte {error.start:,}", found="other bytes", expected="UTF-8"
        ) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        headers = [name.strip().lower() for name in next(reader, [])]
        rows = [(reader.line_num, row) for row in reader if row]
    except csv.Error as error:
        raise FormatError(
            "line", at=f"{path}: line {reader.line_num}", found=str(error), expected="RFC 4180"
        ) from error
    for number, row in rows:
        if len(row) != len(headers):
            raise FormatError(
                "row",
                at=f"{path}: line {number}",
                found=f"{len(row)} cells",
                expected=f"{len(headers)}, as the first line has",
                clause="RFC 4180, 2.4",
            )
    return [(number, dict(zip(headers, row, strict=True))) for number, row in rows]
