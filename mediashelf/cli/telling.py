"""Lines for the person on standard error: errors and remarks, as wide as their terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import IO, Any

import click

from mediashelf.cli.console import columns_of


class ShownError(click.ClickException):
    """An error of ours in the form that click prints; names in it can add no line."""

    def __init__(self, lines: Iterable[str], exit_code: int) -> None:
        from mediashelf.text import printable

        super().__init__("\n".join(map(printable, lines)))
        self.exit_code = exit_code  # type: ignore[misc]  # click documents it as settable

    def show(self, file: IO[Any] | None = None) -> None:
        tell(f"Error: {self.message}")


INTERNAL = 70  # EX_SOFTWARE of sysexits.h (from memory); no error of ours has it


def internal_error(error: Exception) -> ShownError:
    """Return a fault of the program as an error; what was printed before it is not the answer."""
    import traceback
    from pathlib import Path

    own = Path(__file__).parents[1]
    frames = [
        f" at {path.relative_to(own).as_posix()} line {frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if (path := Path(frame.filename)).is_relative_to(own)
    ]
    where = frames[-1] if frames else ""
    words = f"internal error{where} ({type(error).__name__}: {error}); please report it"
    return ShownError([f"{words}. What was printed is not the whole answer."], INTERNAL)


class ShownUsageError(click.UsageError):
    """A wrong command line: the form it must have, where to read more, and what is wrong."""

    def show(self, file: IO[Any] | None = None) -> None:
        if self.ctx is not None:
            click.echo("\n".join(map(str.rstrip, self.ctx.get_usage().split("\n"))), err=True)
            tell(f"Try '{self.ctx.command_path} {self.ctx.help_option_names[-1]}' for help.")
            click.echo(err=True)
        tell(f"Error: {self.message}")


def shown_usage(error: click.UsageError) -> click.UsageError:
    """Return click's error as one that fits the terminal."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        return error  # it is the help itself
    return ShownUsageError(error.format_message(), error.ctx)


def tell(text: str) -> None:
    """Print lines for the person on standard error, after what was said before them."""
    sys.stdout.flush()
    for line in text.split("\n"):
        for fitting in _fitting(line):
            click.echo(fitting, err=True)


def _fitting(line: str) -> Iterator[str]:
    """Wrap for a terminal; a program gets each line whole."""
    from mediashelf.text import printable, wrap  # rarely needed, and large

    width = _width()
    if width is None or not line:
        yield printable(line)
    else:
        yield from wrap(line, width, rest="  ")


def _width() -> int | None:
    if not sys.stderr.isatty():
        return None
    return max(20, columns_of(sys.stderr))  # standard output may go elsewhere
