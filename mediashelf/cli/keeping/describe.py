"""``mediashelf describe``: what the keeper says of discs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import click

from mediashelf.catalogue.keeping.describing import Change
from mediashelf.catalogue.questions.duplicates import copies_of_each
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.csv_text import read_csv
from mediashelf.cli.documents import document
from mediashelf.cli.keeping.described_text import copy_lines, description_lines
from mediashelf.cli.library.catalogue_rows import copies_list, image_dict
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.render import say, say_json, say_wrapped, tell
from mediashelf.errors import InputError
from mediashelf.jobs.library.describing import BroughtBack, bring_back, describe_images
from mediashelf.text import count_text

_NAMED_AT_MOST = 20


@click.command(
    epilog="""
\b
Examples:
  mediashelf describe kiosk.iso --tag kiosk --place "box 3, attic"
  mediashelf describe 'card:drivers/*' --tag drivers
  mediashelf describe kiosk-2.iso --set "Kiosk 2/3" --part-number LK-2041
  mediashelf describe kiosk.iso --note "scratched; reads in the slow drive"
  mediashelf describe kiosk.iso
\b
All words of a library, out and in again:
  mediashelf list --csv --columns digest,shelf,image,tags,note,place,set > words.csv
  mediashelf describe --from words.csv
"""
)
@click.argument("names", nargs=-1, metavar="[IMAGE]...")
@click.option("--note", metavar="TEXT", help="A note, in the place of the earlier one.")
@click.option("--tag", "tags", multiple=True, metavar="TAG", help="Add a tag. Repeatable.")
@click.option("--no-tag", "no_tags", multiple=True, metavar="TAG", help="Take a tag off.")
@click.option("--place", metavar="TEXT", help="Where the physical disc is.")
@click.option("--part-number", metavar="TEXT", help="The number that its maker gave it.")
@click.option("--set", "set_text", metavar="[NAME ]N/M", help="Disc N of M: 2/3, 'Kiosk 2/3'.")
@click.option(
    "--from",
    "table_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.csv",
    help="Take the words for many images from a table, as list --csv writes it.",
)
@catalogue_option
@json_option
@quiet_option
def describe(
    names: tuple[str, ...],
    note: str | None,
    tags: tuple[str, ...],
    no_tags: tuple[str, ...],
    place: str | None,
    part_number: str | None,
    set_text: str | None,
    table_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Say what you know of a disc: a note, tags, where it is kept, its number, its set.

    The words belong to the bytes of an image: every copy of it has them, and a file that
    is renamed or moved keeps them, as does one whose changed bytes you accept. An empty
    TEXT takes back what was said. Earlier words stay in the history. Without options,
    shows what is said.
    """
    change = Change(note, place, part_number, set_text, None, tags, no_tags)
    if (table_path is None) == (not names):
        raise click.UsageError("Name images, or a table with --from FILE.csv.")
    if table_path is not None and not change.is_nothing:
        raise click.UsageError("--from FILE.csv brings the words; it takes no other option.")
    brought = BroughtBack(())
    with open_catalogue(catalogue_path) as catalogue:
        if table_path is not None:
            brought = bring_back(catalogue, str(table_path), read_csv(table_path))
            rows: Sequence[ImageRow] = brought.described
        else:
            rows = describe_images(catalogue, names, change)
        copies = copies_of_each(catalogue.db, rows if table_path is None else ())
    if as_json:
        images = [image_dict(row) | {"copies": copies_list(copies.get(row.id, ()))} for row in rows]
        say_json(document("describe", images=images, unknown=brought.unknown))
    elif table_path is not None:
        if not quiet:
            news = count_text(brought.changed, "image")
            same = len(rows) - brought.changed
            say_wrapped(f"{table_path}: words on {news} changed, {same:,} as before")
    else:
        _say(rows, copies, quiet=quiet and not change.is_nothing)
    if brought.unknown:
        for line in brought.unknown[:_NAMED_AT_MOST]:
            tell(f"{table_path}: {line}: no such image is on record")
        more = len(brought.unknown) - _NAMED_AT_MOST
        if more > 0:
            tell(f"… and {more:,} more such lines")
        raise SystemExit(InputError.exit_code)


def _say(
    rows: Sequence[ImageRow], copies: Mapping[int, Sequence[ImageRow]], *, quiet: bool
) -> None:
    for number, row in enumerate(() if quiet else rows):
        if number:
            say()
        say_wrapped(row.where)
        words = description_lines(row) or ["nothing is said of it yet"]
        for line in (*words, *copy_lines(copies[row.id])):
            say_wrapped(line, indent=2)
