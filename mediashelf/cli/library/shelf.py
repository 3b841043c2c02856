"""``mediashelf shelf``: the folders that hold images."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from mediashelf.catalogue.shelves import move_to, name_problem
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.library.catalogue_rows import shelf_dict
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.render import say, say_json, say_wrapped, table
from mediashelf.jobs.library.shelves import (
    forget,
    plan_forgetting,
    register_shelf,
    shelves_here,
)
from mediashelf.text import count_text, size_text


@click.group()
def shelf() -> None:
    """Register the folders that hold images: disks, shares, memory cards."""


def _valid_name(context: click.Context, option: click.Parameter, value: str) -> str:
    problem = name_problem(value)
    if problem:
        raise click.BadParameter(problem)
    return value


@shelf.command(
    epilog="""
\b
Examples:
  mediashelf shelf add ~/discs
  mediashelf shelf add /media/card --name card
"""
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--name",
    default="",
    callback=_valid_name,
    help="What to call it [default: the folder's name].",
)
@catalogue_option
@json_option
@quiet_option
def add(folder: Path, name: str, catalogue_path: Path | None, as_json: bool, quiet: bool) -> None:
    """Register FOLDER and all folders in it as a shelf.

    Nothing is read yet, and nothing is ever written there. Shelves inside FOLDER
    become a part of it, with their records. A folder inside a shelf is refused: its
    images would be recorded twice. A disk that was unplugged and is now mounted
    elsewhere stays one shelf, where the system tells disks apart.
    """
    with open_catalogue(catalogue_path, create=True) as catalogue:
        added = register_shelf(catalogue, folder, name)
    row = added.shelf
    if as_json:
        more = chosen(added, "taken_over", "moved_from", "looks_like")
        say_json(document("shelf add", shelf=shelf_dict(row, is_here=True), **more))
        return
    if added.looks_like:
        say_wrapped(
            f"Most images of the shelf {added.looks_like}, which is not there now, are here too. "
            f"If it is the same disk: mediashelf shelf drop {shlex.quote(row.name)} --yes, then "
            f"mediashelf shelf move {shlex.quote(added.looks_like)} {shlex.quote(str(folder))}"
        )
    if quiet:
        return
    say_wrapped(f"{row.name}: {row.root}")
    if added.moved_from is not None:
        say_wrapped(f"This disk was at {added.moved_from}; its records came along.")
    if added.taken_over:
        say_wrapped(f"Now a part of it, with their records: {', '.join(added.taken_over)}")
    say(f"Record its images with: mediashelf scan {shlex.quote(row.name)}")


@shelf.command(
    epilog="""
\b
Examples:
  mediashelf shelf move card /media/card-2
"""
)
@click.argument("name")
@click.argument("folder", type=click.Path(path_type=Path))
@catalogue_option
@json_option
@quiet_option
def move(name: str, folder: Path, catalogue_path: Path | None, as_json: bool, quiet: bool) -> None:
    """Say that the shelf NAME is at FOLDER now: a disk mounted elsewhere, a folder renamed.

    Its records, dates and history stay. Nothing is read yet, and no file is moved.
    """
    with open_catalogue(catalogue_path) as catalogue:
        row, found = move_to(catalogue, name, folder)
        # Not ``image_count``: images that were missing may be back at the new place.
        known = len(catalogue.images(shelf=row.name))
    if as_json:
        say_json(document("shelf move", shelf=shelf_dict(row, is_here=True), images_found=found))
    elif not quiet:
        say_wrapped(f"{row.name}: {row.root}; {found:,} of {count_text(known, 'image')} there")
        what = "the others" if found < known else "new ones"
        say(f"Look for {what} with: mediashelf scan {shlex.quote(row.name)}")


@shelf.command(
    name="list",
    epilog="""
\b
Examples:
  mediashelf shelf list
  mediashelf shelf list --json
""",
)
@catalogue_option
@json_option
@quiet_option
def list_shelves(catalogue_path: Path | None, as_json: bool, quiet: bool) -> None:
    """Show every shelf, whether it is here now, and what is on record of it.

    With -q, no advice where there is none yet.
    """
    with open_catalogue(catalogue_path) as catalogue:
        rows = shelves_here(catalogue)
    if as_json:
        shelves = [shelf_dict(row, is_here=is_here) for row, is_here in rows]
        say_json(document("shelf list", shelves=shelves))
        return
    if not rows:
        if quiet:
            return
        say("No shelves yet. Register one with: mediashelf shelf add FOLDER")
        return
    cells = [
        (
            row.name,
            "here" if is_here else "away",
            f"{row.image_count:,}",
            size_text(row.total_size),
            row.scanned_at[:10] if row.scanned_at else "never",
            str(row.root),
        )
        for row, is_here in rows
    ]
    headers = ("shelf", "now", "images", "size", "scanned", "folder")
    for line in table(headers, cells, right="images, size"):
        say(line)


@shelf.command(
    epilog="""
\b
Examples:
  mediashelf shelf drop card
  mediashelf shelf drop card --only-missing --yes
"""
)
@click.argument("name")
@click.option("--only-missing", is_flag=True, help="Keep the shelf; forget its missing images.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@catalogue_option
@json_option
@quiet_option
def drop(
    name: str,
    only_missing: bool,
    yes: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Forget the shelf NAME: the records of its images, their digests and dates.

    No image is touched. Without its record an image can no longer be audited;
    scanning it anew records it as it is then.
    """
    if as_json and not yes:
        raise click.UsageError("--json cannot ask; say --yes")
    with open_catalogue(catalogue_path) as catalogue:
        planned = plan_forgetting(catalogue, name, only_missing=only_missing)
        row, count = planned.shelf, planned.image_count
        if not yes:
            what = "missing image" if only_missing else "image"
            say_wrapped(
                f"This forgets the {'records' if count != 1 else 'record'} of "
                f"{count_text(count, what)} on {row.name} ({row.root}), with digests and dates. "
                "No image is touched."
            )
            click.confirm("Forget?", abort=True)
        count = forget(catalogue, planned)
    if as_json:
        say_json(
            document(
                "shelf drop",
                shelf=row.name,
                shelf_dropped=not only_missing,
                images_forgotten=count,
            )
        )
    elif not quiet:
        say(f"{row.name}: {count_text(count, 'image')} forgotten; no image was touched")
