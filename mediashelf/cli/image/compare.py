"""``mediashelf compare``: what differs between two images, folders or archives?"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from mediashelf.cli.image.compare_text import comparison_document, say_comparison
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import say_json, say_wrapped
from mediashelf.cli.report_file import CREATED_BY, moment_text, report_option, write_report
from mediashelf.formats.volume import VolumeKind
from mediashelf.jobs.library.comparing import compare_places
from mediashelf.jobs.library.naming import find_files
from mediashelf.trees.opening import split_place


@click.command(
    epilog="""
\b
Examples:
  mediashelf compare old.iso new.iso
  mediashelf compare 'home: tide.iso' 'card: tide.iso'
  mediashelf compare drivers.zip drivers/
  mediashelf compare disc.iso:/DRIVERS ~/drivers
  mediashelf compare disc.iso disc.iso --volume iso9660 --volume joliet
"""
)
@click.argument("first", metavar="A")
@click.argument("second", metavar="B")
@click.option(
    "--volume",
    "kinds",
    type=click.Choice([kind.value for kind in VolumeKind]),
    multiple=True,
    help="Compare this tree of discs. Given twice: the tree of A, then that of B.",
)
@click.option("--all", "show_all", is_flag=True, help="Print every difference.")
@report_option("Write a page as well.")
@catalogue_option
@json_option
@quiet_option
def compare(
    first: str,
    second: str,
    kinds: tuple[str, ...],
    show_all: bool,
    report_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compare two images, folders or archives, file by file.

    Says what is only in one, changed, moved, renamed and the same; of two discs also
    how their labels, boot entries and sectors differ. Every byte is compared. Dates,
    padding, and how a disc is wrapped are told, but do not count as differences.
    Ends with 0 where all is equal, with 1 where something differs or could not be compared.
    """
    if len(kinds) > 2:
        raise click.UsageError("--volume can be given twice at most: for A, and for B")
    places = (_place(first, catalogue_path), _place(second, catalogue_path))
    found = compare_places(
        places,
        names=(first, second),
        kinds=[VolumeKind(kind) for kind in kinds],
        progress=partial(progress, quiet=quiet),
    )
    if report_path is not None:
        from mediashelf.reports.library.comparison import comparison_html

        page = comparison_html(found, created=moment_text(), created_by=CREATED_BY)
        write_report(report_path, page)
    if as_json:
        say_json(comparison_document(found))
    else:
        say_comparison(found, show_all=show_all, quiet=quiet)
        if report_path is not None and not quiet:
            say_wrapped(f"Report: {report_path}")
    if not found.is_equal:
        raise SystemExit(1)


def _place(name: str, catalogue_path: Path | None) -> str | Path:
    """Return the place to open for a name: on disk as it is, else as the catalogue has it."""
    path, inside = split_place(name)
    if inside:
        return name
    files = find_files([name], catalogue_path)
    if len(files) > 1:
        raise click.UsageError(f"{name} matches {len(files):,} images; name one")
    return files[0].opened_path if files else path
