"""``mediashelf find``: which image is this, and which holds this file?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from mediashelf.catalogue.keeping.image_search import ImageHit, find_images
from mediashelf.catalogue.search import SearchAnswer, SearchHit
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import Each, chosen, document
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.render import is_piped, say, say_json, say_wrapped, table
from mediashelf.text import size_text


@click.command(
    epilog="""
\b
Examples:
  mediashelf find lkvx              names with these letters, anywhere in them
  mediashelf find display driver    both words, in any order
  mediashelf find '*.inf'           whole names, with * and ?
  mediashelf find video/lkvx        in folders with "video" in their path
  mediashelf find kiosk attic       an image by name, label, tag, note or place
  mediashelf find 1999-06           by the date of its volume
  mediashelf find 3f786850          by the first eight letters of a digest, or more
"""
)
@click.argument("words", nargs=-1, required=True, metavar="TEXT...")
@click.option("--shelf", help="Only images on this shelf.")
@click.option("--images", "only_images", is_flag=True, help="Only images, no files inside.")
@click.option("--files", "only_files", is_flag=True, help="Only files inside images.")
@click.option(
    "--limit",
    type=click.IntRange(1, 100_000),
    default=50,
    show_default=True,
    metavar="N",
    help="Show at most N.",
)
@catalogue_option
@json_option
@quiet_option
def find(
    words: tuple[str, ...],
    shelf: str | None,
    only_images: bool,
    only_files: bool,
    limit: int,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Find images on record, and files and folders inside them.

    Asks the catalogue only, so images that are not plugged in are found too. Upper and
    lower case are the same. An image is found by its name, labels, the date of its volume,
    a digest (recorded, earlier or published), and what describe keeps; every word must fit
    something. Of files inside, names that are, or begin with, TEXT come first. A file with
    a long and a short name is one line; the short name is beside the long one if it
    matches too. With -q, only the hits: no word on how many more there are.
    """
    if only_images and only_files:
        raise click.UsageError("--images and --files exclude each other; leave both out.")
    text = " ".join(words).strip()
    if not text:
        raise click.UsageError(
            "TEXT is empty: give part of a name, a label, a date, a digest, a note or a tag."
        )
    with open_catalogue(catalogue_path) as catalogue:
        images, more_images = (
            ([], 0) if only_files else find_images(catalogue, text, limit=limit, shelf=shelf)
        )
        found = SearchAnswer([]) if only_images else catalogue.find(text, limit=limit, shelf=shelf)
        is_empty = not catalogue.shelves()
    if as_json:
        say_json(
            document(
                "find",
                text=text,
                images=[{"image": image_dict(hit.image), "by": hit.by} for hit in images],
                more_images=more_images,
                hits=Each(map(_hit_dict, found.hits)),
                **chosen(found, "more", "more_is_exact"),
            )
        )
        return
    _say_images(images, more_images, quiet)
    if found.hits or not images:
        if images:
            say()
        _say(found, is_empty, quiet)


def _hit_dict(hit: SearchHit) -> dict[str, Any]:
    return chosen(
        hit,
        *("path", "size", "is_directory"),
        other_path=hit.other_path or None,
        image=image_dict(hit.image),
    )


def _say_images(hits: Sequence[ImageHit], more: int, quiet: bool) -> None:
    if not hits:
        return
    rows = [
        (hit.image.path, hit.image.shelf, hit.image.label, hit.image.state_word, ", ".join(hit.by))
        for hit in hits
    ]
    for line in table(["image", "shelf", "label", "state", "found by"], rows, in_lines=is_piped()):
        say(line)
    if more and not quiet:
        say_wrapped(f"… and {more:,} more images; narrow the search or raise --limit")


def _say(found: SearchAnswer, is_empty: bool, quiet: bool) -> None:
    if not found.hits and quiet:
        return
    if not found.hits:
        say("Nothing found." if not is_empty else "Nothing is on record yet; see: mediashelf shelf")
        return
    others = ["also named"] if any(hit.other_path for hit in found.hits) else []
    headers = ["file", *others, "size", "image", "shelf", "state"]
    rows = [_cells(hit, bool(others)) for hit in found.hits]
    for line in table(headers, rows, right="size", in_lines=is_piped()):
        say(line)
    if found.more and not quiet:
        bound = "" if found.more_is_exact else "at least "
        say_wrapped(f"… and {bound}{found.more:,} more; narrow the search or raise --limit")


def _cells(hit: SearchHit, with_other: bool) -> list[str]:
    return [
        hit.path + ("/" if hit.is_directory else ""),
        *([hit.other_path.rpartition("/")[2]] if with_other else []),
        "" if hit.is_directory else size_text(hit.size),
        hit.image.path,
        hit.image.shelf,
        hit.image.state_word,
    ]
