"""``mediashelf mend``: an image put together from the good parts of several copies."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.image.mend_json import mend_document
from mediashelf.cli.image.mend_text import say_mending
from mediashelf.cli.options import (
    NAMED_FILE,
    catalogue_option,
    json_option,
    make_fail_on_option,
    quiet_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_json
from mediashelf.errors import BlockedError
from mediashelf.integrity.mending.mend import MOST_TRIES, TRIES
from mediashelf.integrity.mending.values import Mending, MendOutcome
from mediashelf.jobs.library.mending import MendRequest, mend_by_catalogue
from mediashelf.text import count_text


@click.command(
    epilog="""
\b
Examples:
  mediashelf mend kiosk.iso --from /media/card/kiosk.iso -o mended.iso
  mediashelf mend kiosk.iso --from old/kiosk.iso reread.iso -o mended.iso
  mediashelf mend home/kiosk.iso --dry-run
  mediashelf mend card.iso --from a.iso --as home/kiosk.iso -o mended.iso
  mediashelf mend kiosk.iso --from a.iso --as-of 2026-11-25 -o mended.iso

\b
Exit codes: 0 mended and proved, or nothing to mend; 1 with warnings or errors,
such as a result by vote; 12 parts cannot be mended, nothing written.
"""
)
@click.argument("image")
@click.argument("further", nargs=-1, type=NAMED_FILE, metavar="")
@click.option(
    "--from",
    "copies",
    multiple=True,
    type=NAMED_FILE,
    metavar="COPY...",
    help="Other copies of the image: older ones, from another disk, or the disc read again.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="MENDED.iso",
    help="The image to write; needed unless --dry-run. It appears whole or not at all.",
)
@click.option(
    "--as",
    "as_name",
    metavar="IMAGE",
    help="Prove it by the record of this image of the catalogue, not by its own.",
)
@click.option(
    "--as-of",
    metavar="DATE",
    help="Prove it by the record that was in force on this day, such as 2026-11-25, or at this "
    "moment (UTC): an earlier one, if another was accepted since.",
)
@click.option("-n", "--dry-run", is_flag=True, help="Say what would come of it; write nothing.")
@click.option("--anyway", is_flag=True, help="Write the best there is even if parts stay unknown.")
@click.option(
    "--replace",
    is_flag=True,
    help="Write over an existing MENDED.iso; over IMAGE itself only what is proved.",
)
@click.option(
    "--tries",
    type=click.IntRange(1, MOST_TRIES),
    default=TRIES,
    show_default=True,
    metavar="N",
    help="Combinations of sectors to try for one MiB that no copy holds whole.",
)
@catalogue_option
@json_option
@quiet_option
@make_fail_on_option("warning")
def mend(
    image: str,
    further: tuple[Path, ...],
    copies: tuple[Path, ...],
    output: Path | None,
    as_name: str | None,
    as_of: str | None,
    dry_run: bool,
    anyway: bool,
    replace: bool,
    tries: int,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Put a damaged image together from the good parts of other copies.

    With a record in the catalogue, each MiB is proved by its digest and the whole by
    the digest of the whole. Copies may be damaged too, short or padded: what is right
    in them is used, down to single sectors of 2,048 bytes, and images of the catalogue
    that hold the same bytes are asked as well. If IMAGE itself is not on record, the
    record of a copy proves it.

    Without any record the copies vote, sector by sector. IMAGE counts as one, so two
    more are needed; what was voted on is likely, but not proved. No file is changed but
    MENDED.iso, and nothing is written while any part stays unknown.
    """
    if output is None and not dry_run:
        raise click.UsageError("Name the image to write with -o, or add --dry-run.")
    if further and not copies:
        raise click.UsageError("Say which files are the copies: IMAGE --from COPY...")
    request = MendRequest(
        image,
        copies=(*copies, *further),
        output=None if dry_run else output,
        as_name=as_name,
        as_of=as_of,
        anyway=anyway,
        replace=replace,
        tries=tries,
    )
    with open_catalogue(catalogue_path) as catalogue:
        mended = mend_by_catalogue(catalogue, request, partial(progress, quiet=quiet))
    if mended is None:
        raise click.UsageError(
            f"{image} has no recorded digest; give at least two other copies with --from."
        )
    result = mended.result
    if as_json:
        say_json(mend_document(mended, dry_run))
    else:
        say_mending(mended, dry_run=dry_run, quiet=quiet)
    if result.outcome is MendOutcome.INCOMPLETE and not result.is_written and not dry_run:
        raise BlockedError(_refusal(result, output))
    exit_for(mended.findings, fail_on)


def _refusal(result: Mending, output: Path | None) -> str:
    open_parts = sum(part.how.is_open for part in result.parts)
    reason = (
        f"{count_text(open_parts, 'part')} of it cannot be mended from these files"
        if open_parts
        else "see the errors above"
    )
    return f"{output}: not written ({reason}); --anyway writes the best there is"
