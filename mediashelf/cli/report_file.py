"""Reports as files: the option, the moment they are made, and writing them whole."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import click

from mediashelf import __version__
from mediashelf.files import refuse_missing_folder, write_whole

CREATED_BY = f"mediashelf {__version__}"

_SUFFIXES = (".html", ".htm")


def report_option(help_text: str) -> Callable[[click.decorators.FC], click.decorators.FC]:
    """Return the option ``--report FILE.html``; other names are refused, as of an image."""
    return click.option(
        "--report",
        "report_path",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE.html",
        callback=checked_page_path,
        help=help_text,
    )


def checked_page_path(
    context: click.Context, option: click.Parameter, path: Path | None
) -> Path | None:
    """Return the name of a page to write, unless it cannot be one."""
    if path is None:
        return None
    if path.suffix.lower() not in _SUFFIXES:
        raise click.BadParameter(f"{path} does not end in .html")
    refuse_missing_folder(path)  # said before an hour of reading, not after it
    return path


def write_report(path: Path, page: str) -> None:
    """Write a page so that it appears whole or not at all; one of the same name is replaced."""
    write_whole(path, page.encode("utf-8"))


def moment_text() -> str:
    """Return now in UTC, ISO 8601, or the moment of SOURCE_DATE_EPOCH where that is set."""
    given = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not given:
        now = datetime.now(UTC)
    else:
        try:
            now = datetime.fromtimestamp(int(given), UTC)
        except (ValueError, OverflowError, OSError) as error:
            raise click.UsageError(
                f"SOURCE_DATE_EPOCH is {given!r}, expected seconds since 1970; correct or unset it"
            ) from error
    return now.strftime("%Y-%m-%dT%H:%M:%SZ")
