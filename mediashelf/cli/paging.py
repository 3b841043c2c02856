"""A pager for long answers, where a person sits at a terminal and has chosen one in PAGER."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

# Commands that only tell what is there. The others show what they do while they do it.
PAGED = {"check", "compare", "describe", "drivers", "duplicates", "find", "list", "show", "targets"}


class _Kept(io.StringIO):
    """The answer until it is whole; to whoever asks, it is the terminal."""

    def __init__(self, terminal: io.TextIOBase) -> None:
        super().__init__(newline="")
        self._terminal = terminal

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._terminal.fileno()


@contextmanager
def paged(command: str | None) -> Iterator[None]:
    """Show what is printed in the block through the pager, where it is longer than the screen."""
    terminal = sys.stdout
    if command not in PAGED or not os.environ.get("PAGER") or not terminal.isatty():
        yield
        return
    kept = _Kept(terminal)  # type: ignore[arg-type]
    sys.stdout = kept
    try:
        yield
    finally:
        sys.stdout = terminal
        text = kept.getvalue()
        import shutil  # rarely needed, and large

        if text.count("\n") >= shutil.get_terminal_size().lines:
            click.echo_via_pager(text.removesuffix("\n"))  # it adds one
        else:
            terminal.write(text)
            terminal.flush()
