"""``checksums expect`` and ``checksums export``: published lists, and what is on record."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import click

from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import document
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import say, say_findings, say_json, say_wrapped, table
from mediashelf.integrity.fixity.digests import ALGORITHMS
from mediashelf.jobs.library.published import Published, export_lists, import_lists
from mediashelf.text import count_text

_UNKNOWN_SHOWN = 10

_WORDS = {True: "as published", False: "not as published", None: "not compared"}


@click.command(
    epilog="""
\b
Examples:
  mediashelf checksums expect SHA256SUMS
  mediashelf checksums expect published.md5 --shelf home
"""
)
@click.argument(
    "lists", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LIST..."
)
@click.option("--shelf", help="Only images on this shelf.")
@click.option("--no-read", is_flag=True, help="Open no image; a later audit --digest compares.")
@catalogue_option
@json_option
@quiet_option
def expect(
    lists: tuple[Path, ...],
    shelf: str | None,
    no_read: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Keep what published lists say of images on record, and compare.

    An image whose record never had its published digest is "not as published" from then
    on, wherever its state is shown, until other bytes are recorded. Images without a
    digest of that kind on record are read now. The exit code is 1 if any is not as
    published.
    """
    with open_catalogue(catalogue_path) as catalogue:
        done = import_lists(
            catalogue,
            lists,
            shelf=shelf,
            reads=not no_read,
            progress=partial(progress, quiet=quiet),
        )
    if as_json:
        say_json(
            document(
                "checksums expect",
                images=map(image_dict, done.rows),
                unknown=done.unknown,
                findings=done.findings,
            )
        )
    else:
        _say(done, quiet)
    if any(one.is_met is False for row in done.rows for one in row.expected):
        raise SystemExit(1)


def _say(done: Published, quiet: bool) -> None:
    rows = [cells for row in done.rows for cells in _cells(row)]
    if quiet:
        rows = [cells for cells in rows if cells[2] == _WORDS[False]]
    if rows:
        for line in table(("image", "digest", "state", "list"), rows):
            say(line)
    if done.findings:
        say_findings(done.findings, limit=_UNKNOWN_SHOWN)
    if quiet:
        return
    counts = Counter(cells[2] for row in done.rows for cells in _cells(row))
    parts = [f"{counts[word]:,} {word}" for word in _WORDS.values() if counts[word]]
    say_wrapped("; ".join(parts) or "No line names an image on record.")
    if done.unknown:
        say_wrapped(f"{count_text(len(done.unknown), 'line')} of no image on record:")
        _say_some(done.unknown)


def _say_some(lines: Sequence[str]) -> None:
    for line in lines[:_UNKNOWN_SHOWN]:
        say_wrapped(line, indent=2)
    if len(lines) > _UNKNOWN_SHOWN:
        say(f"  … and {len(lines) - _UNKNOWN_SHOWN:,} more")


def _cells(row: ImageRow) -> list[tuple[str, str, str, str]]:
    return [(row.where, one.algorithm, _WORDS[one.is_met], one.list_name) for one in row.expected]


@click.command(
    epilog="""
\b
Examples:
  mediashelf checksums export ~/lists
  mediashelf checksums export ~/lists --algorithm sha256 --replace
  sha256sum -c ~/lists/home.sha256      in the shelf's folder
"""
)
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--algorithm",
    "algorithms",
    multiple=True,
    type=click.Choice(ALGORITHMS),
    metavar="NAME",
    help="Only digests of this kind; repeatable [default: all on record].",
)
@click.option("--replace", is_flag=True, help="Replace lists that exist.")
@catalogue_option
@json_option
@quiet_option
def export(
    folder: Path,
    algorithms: tuple[str, ...],
    replace: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write all digests on record to FOLDER, a checksum list for each shelf and algorithm.

    No image is opened: the lists hold the records, not what the files are now. Names are
    relative to the shelf's folder, where checksums check and coreutils take them.
    """
    with open_catalogue(catalogue_path) as catalogue:
        exported = export_lists(catalogue, folder, algorithms, replace=replace)
    if as_json:
        say_json(document("checksums export", lists=exported))
        return
    if quiet:
        return
    for each in exported:
        left = f", {len(each.left_out):,} without" if each.left_out else ""
        say_wrapped(f"{each.path}: {count_text(each.image_count, 'image')}{left}")
    if not exported:
        say("No digest is on record yet; scan a shelf first.")
