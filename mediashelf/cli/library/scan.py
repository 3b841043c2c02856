"""``mediashelf scan``: record what is new, moved and gone; keep beside it what changed."""

from __future__ import annotations

import time
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.catalogue.rows import ShelfRow
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.library.scan_text import of_shelf, say_scan, shelf_counts
from mediashelf.cli.options import catalogue_option, fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress, wait_for
from mediashelf.cli.render import exit_for, say_json, tell
from mediashelf.jobs.library.scanning import Scan, plan_accepting, plan_shelves, read_planned


@click.command(
    epilog="""
\b
Examples:
  mediashelf scan
  mediashelf scan card
  mediashelf scan --accept home/kiosk.iso
  mediashelf scan --packages
  mediashelf scan --json > scan.json

\b
What counts as an image: .iso, .udf and .cue by name, compressed ones (.iso.gz) and
archives (.zip, .7z, .rar, .lzh, .tar.gz), floppies (.ima, .imz, .flp, .vfd); .img, .bin
and .raw when they begin like a disc or floppy, or a cue sheet of the same name is beside
them; .cab, and .exe when an archive is in it.
"""
)
@click.argument("names", nargs=-1, metavar="[SHELF]...")
@click.option(
    "--accept",
    is_flag=True,
    help="The named images are right as they are now: make that the record. Of a shelf, those "
    "that are changed and wait.",
)
@click.option(
    "--packages",
    "opens_archives",
    is_flag=True,
    help="Look for driver packages in archives inside the images as well; that takes as long as "
    "reading them whole.",
)
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def scan(
    names: tuple[str, ...],
    accept: bool,
    opens_archives: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Record the images on the shelves named, or on all.

    A record is never replaced by a scan. What differs from it is kept beside it:
    the image is "changed, waiting", and the exit code 1, until you accept it as it
    is (--accept IMAGE...), restore it, or mend it. The earlier record stays in the
    history; mend can still aim at it with --as-of.

    Each new or changed image is read once: its volumes, the names of its files,
    a digest of the whole, one of every MiB, and the driver packages in it. Files
    whose size and date are as recorded are not read. A file that was moved keeps
    its record, and two files that swapped names swap theirs. Images of a shelf
    that is not plugged in are away, and keep theirs. Missing images end with 1 until
    they are back, or forgotten with shelf drop --only-missing. Ctrl-C keeps what is
    done; the next scan does the rest.
    """
    if accept and not names:
        raise click.UsageError("Name the images to accept, or a shelf: scan --accept IMAGE...")
    with open_catalogue(catalogue_path) as catalogue:
        started = time.monotonic()
        if accept:
            work = plan_accepting(catalogue, names)
        else:
            work = plan_shelves(catalogue, names, lambda shelf: _wait_for(shelf, quiet))
        work.opens_archives = opens_archives
        try:
            read_planned(catalogue, work, partial(progress, quiet=quiet))
        except KeyboardInterrupt:
            if not as_json:
                say_scan(work, quiet, time.monotonic() - started)
            raise
    if as_json:
        say_json(_document(work))
    else:
        say_scan(work, quiet, time.monotonic() - started)
    for error in work.failed:
        tell(str(error))
    if work.failed:
        raise SystemExit(max(error.exit_code for error in work.failed))
    exit_for(work.findings, fail_on)


def _wait_for(shelf: ShelfRow, quiet: bool) -> None:
    wait_for(f"looking through {shelf.name} ({shelf.root}) …", quiet=quiet)


def _document(work: Scan) -> dict[str, Any]:
    return document(
        "scan",
        shelves=[
            chosen(
                each.shelf,
                *("name", "root"),
                is_here=not each.away,
                away_reason=each.away,
                counts=shelf_counts(each, of_shelf(work, each)),
                waiting=each.waiting,
                missing=each.missing,
                returned=each.returned,
                other_files=each.others,
            )
            for each in work.plan.shelves
        ],
        images=[
            chosen(
                each,
                *("event", "detail"),
                shelf=each.job.shelf.name,
                path=each.job.seen.path,
                size=each.reading.size,
                digests=each.reading.digests.whole if each.reading.digests else {},
                findings=each.reading.findings,
            )
            for each in work.outcomes
        ],
        findings=work.findings,
    )
