"""Help that fits the terminal, also one of 40 columns; click's own stops at 50."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable

import click

from mediashelf.cli.console import columns_of

_NARROWEST = 20
_BESIDE = 60  # from here on there is room for meanings beside the names


class HelpFormatter(click.HelpFormatter):
    """As wide as the terminal, up to the width that is asked for."""

    def __init__(
        self, indent_increment: int = 2, width: int | None = None, max_width: int | None = None
    ) -> None:
        fitting = max(_NARROWEST, min(columns_of(sys.__stdout__), max_width or 80) - 2)
        super().__init__(indent_increment, width or fitting, max_width)

    def write_dl(
        self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2
    ) -> None:
        """Write a list of names and what they mean; long names are broken where they have marks."""
        room = self.width - self.current_indent
        margin = " " * self.current_indent
        broken = [(f"\n{margin}".join(_lines(first, room)), second) for first, second in rows]
        if self.width < _BESIDE and any("\n" in first for first, _ in broken):
            for first, second in broken:
                self._write_one(f"{margin}{first}\n", second)
        else:
            super().write_dl(broken, min(col_max, self.width // 3), col_spacing)

    def _write_one(self, first: str, second: str) -> None:
        """Write the names in lines of their own, and what they mean below."""
        self.write(first)
        with self.indentation(), self.indentation():
            if second:
                self.write_text(second)


def _lines(names: str, room: int) -> list[str]:
    """Return names in lines that fit, broken after blanks and bars where they must be."""
    lines = [""]
    for piece in re.findall(r"[^ |]+[ |]?|[ |]", names):
        if lines[-1] and len(lines[-1]) + len(piece.rstrip()) > room:
            lines[-1] = lines[-1].rstrip()
            lines.append("    ")
        lines[-1] += piece
    return lines
