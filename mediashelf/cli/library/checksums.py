"""``mediashelf checksums``: write a checksum list of a folder, or compare a folder with lists."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.library.checksums_record import expect, export
from mediashelf.cli.library.checksums_text import comparison_document, say_comparison, say_written
from mediashelf.cli.options import fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_json
from mediashelf.formats.lists.values import ListForm
from mediashelf.integrity.fixity.digests import ALGORITHMS
from mediashelf.jobs.library.checksum_lists import compare_checksums, write_checksums


@click.group()
def checksums() -> None:
    """Write checksum lists, compare a folder with lists, or the catalogue with published ones."""


checksums.add_command(expect)
checksums.add_command(export)


@checksums.command(
    epilog="""
\b
Examples:
  mediashelf checksums write ~/isos
  mediashelf checksums write ~/isos --algorithm b2 --form tagged -o isos.b2
  mediashelf checksums write ~/drivers --algorithm crc32

\b
Forms: plain and reversed as sha256sum and its family check them, tagged with the
algorithm in each line, sfv (crc32 only). xxhsum checks the xxh lists.
"""
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The list's file [default: in the folder, SHA256SUMS and the like].",
)
@click.option(
    "--algorithm",
    type=click.Choice(ALGORITHMS),
    default="sha256",
    show_default=True,
    help="sha256 for lists that others compare with; xxh3_128 is faster.",
)
@click.option(
    "--form",
    type=click.Choice([form.value for form in ListForm]),
    help="How lines are written [default: plain; sfv for crc32; tagged for xxh3_64].",
)
@click.option("--replace", is_flag=True, help="Replace the list if it exists.")
@json_option
@quiet_option
@fail_on_option
def write(
    folder: Path,
    output: Path | None,
    algorithm: str,
    form: str | None,
    replace: bool,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Write a checksum list of every file below a folder.

    Names are relative to the folder, in the order of their bytes: the same files
    give the same list anywhere. The list appears whole or not at all. A file that
    cannot be read is left out and reported as an error.
    """
    try:
        written = write_checksums(
            folder,
            algorithm=algorithm,
            output=output,
            form=ListForm(form) if form else None,
            replace=replace,
            progress=partial(progress, quiet=quiet),
        )
    except ValueError as error:  # this form does not hold this algorithm
        raise click.UsageError(f"{error}.") from error
    if as_json:
        say_json(
            document(
                "checksums write",
                folder=folder,
                list=written.path,
                files=written.file_count,
                **chosen(written, "algorithm", "form", "size", "findings"),
            )
        )
    else:
        say_written(written, quiet=quiet)
    exit_for(written.findings, fail_on)


@checksums.command(
    epilog="""
\b
Examples:
  mediashelf checksums check ~/isos
  mediashelf checksums check ~/isos published.sha256
  mediashelf checksums check ~/isos MD5SUMS SHA256SUMS --json

\b
States: equal; different; absent; renamed (another file has the digest); extra (in
no list); unreadable; refused (the name leads out of the folder).
"""
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("lists", nargs=-1, type=click.Path(path_type=Path), metavar="[LIST]...")
@click.option("--all", "show_all", is_flag=True, help="Name every file that needs attention.")
@json_option
@quiet_option
@fail_on_option
def check(
    folder: Path,
    lists: tuple[Path, ...],
    show_all: bool,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Compare a folder with checksum lists, reading each file once.

    Takes lists as sha256sum, md5sum, b2sum, xxhsum and their kin write them, and
    sfv files; without a LIST, those directly in the folder. Names are relative to
    the list if it is in the folder, else to the folder. Nothing is changed.
    """
    compared = compare_checksums(folder, lists, progress=partial(progress, quiet=quiet))
    report, lists = compared.report, compared.lists
    if as_json:
        say_json(comparison_document(report, lists))
    else:
        say_comparison(report, lists, show_all=show_all, quiet=quiet)
    exit_for(report.findings, fail_on)
