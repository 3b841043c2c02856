"""Answers on standard output: text that cannot harm a terminal, tables, findings, JSON."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Any

import click

from mediashelf.cli.console import SPELLED_OUT, columns_of
from mediashelf.cli.telling import tell as tell
from mediashelf.findings import Finding, FindingRun, Findings, Severity, iter_runs, worst
from mediashelf.findings import summary as summary
from mediashelf.text import display_width, printable, wrap

_PIECES_AT_ONCE = 1000  # of a JSON document

# Beside the word, which says the same.
_COLOURS = {Severity.ERROR: "red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}


def say(text: str = "") -> None:
    """Print one line of the answer, wrapped where it is wider than the terminal.

    Control characters become visible escapes.
    """
    safe = printable(text)
    width = 0 if is_piped() else terminal_width()
    if not width or display_width(safe) <= width:
        _write_line(safe)
        return
    text = shown(text).lstrip(" ")
    lead = " " * (len(safe) - len(safe.lstrip(" ")))
    for line in wrap(text, max(width, len(lead) + 12), lead=lead, rest=f"{lead}  "):
        _write_line(line)


def say_typed(text: str) -> None:
    """Print a command as one types it, on one line whatever the terminal's width."""
    _write_line(printable(text))


def _write_line(text: str) -> None:
    """Write without the flush of each line that click does; the command group does one."""
    sys.stdout.write(f"{text}\n")


def shown(text: str) -> str:
    """Return a text as standard output can show it, so that its width is known."""
    safe, encoding = printable(text), sys.stdout.encoding or "utf-8"
    if safe.isascii() or encoding.lower().startswith("utf"):
        return safe
    return safe.encode(encoding, SPELLED_OUT).decode(encoding)


def say_json(payload: dict[str, Any]) -> None:
    """Print one JSON document, ASCII only, so that any name survives any terminal."""
    from mediashelf.cli.json_text import iter_json  # most answers are text

    pieces = iter_json(payload)
    while some := "".join(islice(pieces, _PIECES_AT_ONCE)):
        sys.stdout.write(some)
    sys.stdout.write("\n")


def terminal_width() -> int:
    """Return the columns to fill: the terminal's, or 80 when there is none."""
    return max(20, columns_of(sys.__stdout__))


def is_piped() -> bool:
    """Tell whether the answer goes to a program; COLUMNS says how wide that takes it."""
    return not sys.stdout.isatty() and "COLUMNS" not in os.environ


def table(
    headers: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: str = "",
    in_lines: bool = False,
) -> list[str]:
    """Return the lines of a table that fits the terminal where that is possible.

    ``right`` names the columns (by header, comma separated) whose cells are
    aligned right. The last column is never padded. A row that is wider than the
    terminal is printed as a block of ``header: value`` lines instead, unless it is to
    stay ``in_lines``.
    """
    columns = _columns(headers, rows)
    aligned = {name.strip() for name in right.split(",")}
    is_plain = all(map(_is_plain, columns))
    widths = [max(map(len, column)) if is_plain else _width(column) for column in columns]
    if not in_lines and _total(widths) > terminal_width():
        return _blocks(headers, list(zip(*columns, strict=True))[1:])
    if is_plain:
        # Ten thousand rows in a third of the time.
        cells = zip(headers, widths, strict=True)
        line = "  ".join(f"%{'' if name in aligned else '-'}{width}s" for name, width in cells)
        return [(line % row).rstrip() for row in zip(*columns, strict=True)]
    padded = [
        _padded(column, width, header in aligned)
        for header, column, width in zip(headers, columns, widths, strict=True)
    ]
    return ["  ".join(row).rstrip() for row in zip(*padded, strict=True)]


def fits(headers: Sequence[str], rows: Iterable[Sequence[str]]) -> bool:
    """Tell whether a table of these cells fits the terminal line by line."""
    return _total(list(map(_width, _columns(headers, rows)))) <= terminal_width()


def _columns(headers: Sequence[str], rows: Iterable[Sequence[str]]) -> list[list[str]]:
    """Return the columns with their headers, safe to print."""
    return [_safe(list(column)) for column in zip(headers, *rows, strict=True)]


def _safe(column: list[str]) -> list[str]:
    text = "".join(column)  # asked once for a column: a list may have ten thousand rows
    return column if text.isascii() and text.isprintable() else [shown(cell) for cell in column]


def _is_plain(column: list[str]) -> bool:
    return "".join(column).isascii()


def _width(column: list[str]) -> int:
    return max(map(len if _is_plain(column) else display_width, column))


def _padded(column: list[str], width: int, is_right: bool) -> list[str]:
    if _is_plain(column):
        return [cell.rjust(width) if is_right else cell.ljust(width) for cell in column]
    paddings = [" " * (width - display_width(cell)) for cell in column]
    pairs = zip(column, paddings, strict=True)
    return [padding + cell if is_right else cell + padding for cell, padding in pairs]


def _total(widths: Sequence[int]) -> int:
    return sum(widths) + 2 * (len(widths) - 1)


def _blocks(headers: Sequence[str], cells: Sequence[Sequence[str]]) -> list[str]:
    lines: list[str] = []
    width = terminal_width()
    for row in cells:
        if lines:
            lines.append("")
        first, *rest = zip(headers, row, strict=True)
        lines += wrap(first[1], width)
        for header, cell in rest:
            if cell:
                lines += wrap(f"{header}: {cell}", width, lead="  ", rest="    ")
    return lines


NOT_LOOKED_AT = "overlaps not checked, contents of files not read"
"""What a look at the structures of an image leaves to an audit: files may overlap, for one."""


def say_findings(findings: Iterable[Finding], *, limit: int = 0) -> None:
    """Print findings, worst first; equal rules of one target are grouped.

    With ``limit`` only that many places of one rule are printed, and the rest
    are counted.
    """
    groups: dict[tuple[int, str, str], list[FindingRun]] = {}
    for run in iter_runs(findings):
        groups.setdefault((-run.severity, run.rule, run.target), []).append(run)
    for key in sorted(groups):
        group = Findings(groups[key])
        first = group.runs[0][0]
        title = f"{first.severity.word} {first.rule}"
        _say_indented(
            title + (f" [{first.target}]" if first.target else ""), 0, _COLOURS[first.severity]
        )
        count = len(group)
        for finding in islice(group, limit or None):
            _say_indented(f"{finding.where}: {finding.message}", 2)
        if 0 < limit < count:
            _say_indented(f"… and {count - limit:,} more like these", 2)
        if first.remedy:
            _say_indented(f"to do: {first.remedy}", 4)
        if first.source:
            _say_indented(f"source: {first.source}", 4)


def say_wrapped(text: str, *, indent: int = 0) -> None:
    """Print one paragraph of the answer, wrapped to the terminal."""
    _say_indented(text, indent)


def _say_indented(text: str, indent: int, colour: str = "") -> None:
    lead = " " * indent
    width = max(terminal_width(), indent + 12)
    for line in wrap(shown(text), width, lead=lead, rest=f"{lead}  " if indent else ""):
        _write_line(click.style(line, fg=colour) if colour and shows_colour() else line)


def shows_colour() -> bool:
    """Tell whether the answer goes to a terminal whose person wants colour (no-color.org)."""
    is_plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    if is_plain or not sys.stdout.isatty():
        return False
    if sys.platform == "win32":
        import colorama  # click needs it there; its consoles know no colour until they are told

        colorama.just_fix_windows_console()
    return True


def exit_for(findings: Iterable[Finding], fail_on: str) -> None:
    """End with exit code 1 when a finding is at or above ``fail_on``."""
    level = worst(findings)
    if fail_on != "never" and level is not None and level >= Severity.from_word(fail_on):
        raise SystemExit(1)
