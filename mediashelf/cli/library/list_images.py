"""``mediashelf list``: the images on record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from mediashelf.catalogue.images import findings_on_record, kinds_of
from mediashelf.catalogue.rows import STATES, ImageRow
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.cli.documents import document
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.cli.options import (
    catalogue_option,
    json_option,
    moved_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.render import say, say_findings, say_json, say_wrapped, table
from mediashelf.cli.report_file import report_option
from mediashelf.findings import Severity
from mediashelf.formats.volume import VolumeKind
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.library.listing import Wanted, list_on_record
from mediashelf.text import count_text, size_text

KINDS = (*(kind.value for kind in VolumeKind), "raw", "sheet")

_PLACES_SHOWN = 5  # of one rule in one image; the rest are counted


@click.command(
    name="list",
    epilog="""
\b
Examples:
  mediashelf list --shelf card
  mediashelf list --target dos --label driver
  mediashelf list --state damaged --findings
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
@click.option("--state", type=click.Choice(sorted(STATES)), help="Only images in this state.")
@target_option
@targets_folder_option
@moved_option("--history", "mediashelf show --history IMAGE")
@click.option("--findings", "with_findings", is_flag=True, help="Show the findings on record too.")
@report_option("Write a page of these images to search, filter and print, instead of a list.")
@click.option("--with-files", is_flag=True, help="Search names of files inside on the page too.")
@catalogue_option
@json_option
@quiet_option
def list_images(
    shelf: str | None,
    kind: str | None,
    label: str | None,
    state: str | None,
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    with_findings: bool,
    report_path: Path | None,
    with_files: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """List the images on record, as the last scan or audit left them.

    Several filters must all match. With --target, only images that the system can
    read; of several systems, all must. No image is opened. With -q, only the images:
    no totals.
    """
    if with_files and report_path is None:
        raise click.UsageError("--with-files is for the page of --report FILE.html")
    wanted = Wanted(shelf, kind, label, state, target_names, targets_folder)
    with open_catalogue(catalogue_path) as catalogue:
        rows = list_on_record(catalogue, wanted)
        if report_path is not None:
            from mediashelf.cli.library.list_report import write_library_page

            write_library_page(
                report_path, catalogue, rows, wanted, with_files=with_files, quiet=quiet
            )
            if not as_json:
                return
        if as_json:
            say_json(_document(catalogue, rows, with_findings))
            return
        _say(catalogue, rows, quiet)
        if with_findings:
            _say_findings(catalogue, rows)


def _document(
    catalogue: Catalogue, rows: Sequence[ImageRow], with_findings: bool
) -> dict[str, object]:
    images = [image_dict(row) for row in rows]
    if with_findings:
        for row, image in zip(rows, images, strict=True):
            image["findings"] = findings_on_record(catalogue.db, row.id)
    return document("list", images=images)


def _say(catalogue: Catalogue, rows: Sequence[ImageRow], quiet: bool) -> None:
    if not rows and quiet:
        return
    if not rows:
        is_empty = not catalogue.shelves()
        say(
            "Nothing is on record yet. Start with: mediashelf shelf add FOLDER"
            if is_empty
            else "No image matches these filters."
        )
        return
    headers = ("image", "shelf", "label", "volumes", "size", "state", "findings")
    for line in table(headers, [_cells(row) for row in rows], right="size"):
        say(line)
    if quiet:
        return
    shelves = len({row.shelf for row in rows})
    total = size_text(sum(row.size for row in rows))
    say(f"{count_text(len(rows), 'image')}, {total}, on {count_text(shelves, 'shelf', 'shelves')}")
    waiting = sum(row.state == State.CHANGED for row in rows)
    if waiting:
        say_wrapped(
            f"{waiting:,} changed, waiting: accept what is right with: mediashelf scan --accept "
            "IMAGE"
        )


def _cells(row: ImageRow) -> tuple[str, ...]:
    counts = [
        count_text(row.finding_counts[severity], severity.word)
        for severity in sorted(Severity, reverse=True)
        if severity in row.finding_counts
    ]
    return (
        row.path,
        row.shelf,
        row.label,
        "+".join(dict.fromkeys(kinds_of(row))),
        size_text(row.size),
        row.state_word,
        ", ".join(counts),
    )


def _say_findings(catalogue: Catalogue, rows: Sequence[ImageRow]) -> None:
    for row in rows:
        findings = findings_on_record(catalogue.db, row.id)
        if findings or row.problem:
            say()
            say(row.where)
            if row.problem:
                say_wrapped(row.problem, indent=2)
            say_findings(findings, limit=_PLACES_SHOWN)
