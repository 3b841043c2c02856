"""``mediashelf list``: the images on record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import NamedTuple

import click

from mediashelf.catalogue.images import findings_on_record
from mediashelf.catalogue.rows import STATES, ImageRow
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.cli.documents import Each, document
from mediashelf.cli.keeping.columns import COLUMNS, OF_DISCS, OF_RECORDS, picked_columns, sorted_by
from mediashelf.cli.keeping.list_text import say_findings_of, say_list
from mediashelf.cli.library.catalogue_rows import listed_dict
from mediashelf.cli.options import (
    catalogue_option,
    json_option,
    moved_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import say_json
from mediashelf.cli.report_file import report_option
from mediashelf.formats.volume_kinds import VolumeKind
from mediashelf.jobs.library.listing import ListedImage, SetGaps, Wanted, iter_images

KINDS = (*(kind.value for kind in VolumeKind), "raw", "sheet")


@click.command(
    name="list",
    epilog="""
\b
Examples:
  mediashelf list --shelf card
  mediashelf list --target dos --label driver
  mediashelf list --state damaged --findings
  mediashelf list --tag kiosk --columns image,set,place,boot --sort set
  mediashelf list --csv > library.csv
  mediashelf list --duplicates
  mediashelf list --report library.html --with-files

\b
States: recorded (read by a scan, not audited since), sound, damaged (errors
inside), decayed, changed (it differs from the record, and waits for you to
accept it), truncated, unreadable, changing, missing, away.
""",
)
@click.option("--shelf", help="Only images on this shelf.")
@click.option("--kind", type=click.Choice(KINDS), help="Only images with such a volume.")
@click.option("--label", metavar="TEXT", help="Only images with TEXT in a volume's label.")
@click.option("--name", metavar="TEXT", help="Only images with TEXT in their path; or '*.img'.")
@click.option("--tag", metavar="TAG", help="Only images with this tag; see mediashelf describe.")
@click.option("--state", type=click.Choice(sorted(STATES)), help="Only images in this state.")
@target_option
@targets_folder_option
@moved_option("--history", "mediashelf show --history IMAGE")
@click.option("--findings", "with_findings", is_flag=True, help="Show the findings on record too.")
@click.option(
    "--columns",
    callback=picked_columns,
    metavar="NAME,...",
    help=f"Show these columns: {', '.join(COLUMNS)}.",
)
@click.option("--sort", type=click.Choice(list(COLUMNS)), metavar="NAME", help="By this column.")
@click.option("--reverse", is_flag=True, help="The other way round.")
@click.option(
    "--csv", "as_csv", is_flag=True, help="Print CSV (RFC 4180), all columns or --columns."
)
@click.option("--duplicates", is_flag=True, help="Group those that are there twice.")
@report_option("Write a page of these images to search, filter and print, instead of a list.")
@click.option("--with-files", is_flag=True, help="Search names of files inside on the page too.")
@catalogue_option
@json_option
@quiet_option
def list_command(
    shelf: str | None,
    kind: str | None,
    label: str | None,
    name: str | None,
    tag: str | None,
    state: str | None,
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    with_findings: bool,
    columns: tuple[str, ...],
    sort: str | None,
    reverse: bool,
    as_csv: bool,
    duplicates: bool,
    report_path: Path | None,
    with_files: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """List the images on record, as the last scan or audit left them.

    Several filters must all match. With --target, only images that the system can
    read, that the emulator serves whole, and that nothing is known to be wrong with; of
    several systems, all must read it. One that is not as published may be another
    edition: it is listed, and its state says so. No image is opened. With -q, only the images: no
    totals. In a pipe each image is one line.

    CSV holds the data as it is. A label or note that begins with = + - or @ can be taken
    for a formula: import columns as text into a spreadsheet.
    """
    if duplicates and report_path is not None:
        raise click.UsageError("--duplicates has no page of its own: use the filter of --report")
    if with_files and report_path is None:
        raise click.UsageError("--with-files is for the page of --report FILE.html")
    if as_json and as_csv:
        raise click.UsageError("--json and --csv are two forms of the answer; choose one")
    wanted = Wanted(shelf, kind, label, state, target_names, targets_folder, name, tag)
    form = _Form(as_json, as_csv, quiet)
    with open_catalogue(catalogue_path) as catalogue:
        whole, named = as_json or as_csv, {*columns, sort}
        images: Iterable[ListedImage] = iter_images(
            catalogue,
            wanted,
            with_discs=bool(whole or OF_DISCS & named),
            with_digests=bool(whole or duplicates or report_path or OF_RECORDS & named),
            progress=partial(progress, quiet=quiet),
        )
        if sort is not None or reverse:
            images = sorted_by(images, sort or "shelf", reverse=reverse)
        if duplicates:
            _list_duplicates(catalogue, [image.row for image in images], form)
        elif report_path is None:
            _list_images(catalogue, images, columns, with_findings, form)
        else:
            images = list(images)
            _write_page(report_path, catalogue, images, wanted, with_files, form)
            if whole:
                _list_images(catalogue, images, columns, with_findings, form)


class _Form(NamedTuple):
    """What the answer is to look like."""

    as_json: bool
    as_csv: bool
    quiet: bool


def _list_images(
    catalogue: Catalogue,
    images: Iterable[ListedImage],
    columns: Sequence[str],
    with_findings: bool,
    form: _Form,
) -> None:
    if with_findings and not form.as_csv:
        images = list(images)  # they are asked for twice
    if form.as_json:
        say_json(_document(catalogue, _begun(images), with_findings))
    elif form.as_csv:
        from mediashelf.cli.csv_text import say_csv  # not needed for most lists

        names = columns or tuple(COLUMNS)
        say_csv(names, ([COLUMNS[name].csv(image) for name in names] for image in images))
    else:
        say_list(catalogue, images, columns, quiet=form.quiet)
        if with_findings:
            say_findings_of(catalogue, images)


def _begun(images: Iterable[ListedImage]) -> Iterator[ListedImage]:
    """Return all of them once the first were read: what fails then fails before an answer."""
    every = iter(images)
    return chain(list(islice(every, 1)), every)


def _write_page(
    path: Path,
    catalogue: Catalogue,
    images: Iterable[ListedImage],
    wanted: Wanted,
    with_files: bool,
    form: _Form,
) -> None:
    from mediashelf.cli.library.listing.page import write_library_page

    rows = [image.row for image in images]
    write_library_page(path, catalogue, rows, wanted, with_files=with_files, quiet=form.quiet)


def _list_duplicates(catalogue: Catalogue, rows: Sequence[ImageRow], form: _Form) -> None:
    from mediashelf.cli.library.listing.duplicates import (
        CSV_COLUMNS,
        csv_rows,
        duplicates_document,
        say_duplicates,
    )
    from mediashelf.jobs.library.duplicates import find_duplicates

    with progress("comparing what is on record", unit="", quiet=form.quiet):
        found = find_duplicates(catalogue, rows)
    if form.as_json:
        say_json(duplicates_document(found))
    elif form.as_csv:
        from mediashelf.cli.csv_text import say_csv

        say_csv(CSV_COLUMNS, csv_rows(found))
    else:
        say_duplicates(found, len(rows), quiet=form.quiet)


def _document(
    catalogue: Catalogue, listed: Iterable[ListedImage], with_findings: bool
) -> dict[str, object]:
    gaps = SetGaps()  # known when all images are printed
    looked_at = gaps.look_through(listed)
    if not with_findings:
        return document("list", images=Each(map(listed_dict, looked_at)), gaps=Each(gaps))
    images = []
    for image in looked_at:  # asked before anything is printed
        findings = findings_on_record(catalogue.db, image.row.id)
        images.append({**listed_dict(image), "findings": findings})
    return document("list", images=images, gaps=Each(gaps))
