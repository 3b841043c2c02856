"""``mediashelf catalogue``: the catalogue itself, saved, brought back and checked."""

from __future__ import annotations

from pathlib import Path

import click

from mediashelf.catalogue.keeping.backup import (
    check_catalogue,
    restore_catalogue,
    save_catalogue,
)
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import document
from mediashelf.cli.options import catalogue_option, fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_findings, say_json, say_wrapped
from mediashelf.errors import InputError
from mediashelf.places import catalogue_place
from mediashelf.text import count_text, size_text


@click.group()
def catalogue() -> None:
    """Save the catalogue to a file, bring it back, or check that it is whole."""


@catalogue.command(
    epilog="""
\b
Examples:
  mediashelf catalogue save /media/card/library.sqlite
  mediashelf catalogue save ~/backup/library.sqlite --replace
"""
)
@click.argument("output", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE")
@click.option("--replace", is_flag=True, help="Replace FILE if it exists.")
@catalogue_option
@json_option
@quiet_option
def save(
    output: Path, replace: bool, catalogue_path: Path | None, as_json: bool, quiet: bool
) -> None:
    """Copy the catalogue to FILE, whole or not at all.

    Other runs may go on meanwhile: the copy is as the catalogue was at one moment. It is
    read back and checked before it gets its name. A catalogue of an earlier version is
    copied by itself before it is changed; the last three such copies stay beside it.
    """
    with open_catalogue(catalogue_path) as opened:
        total = opened.place.stat().st_size if opened.exists else 0
        with progress("saving the catalogue", total=total, quiet=quiet) as on_bytes:
            size = save_catalogue(opened, output, replace=replace, on_bytes=on_bytes)
        count = len(opened.images())
    if as_json:
        say_json(document("catalogue save", file=output, size=size, images=count))
    elif not quiet:
        say_wrapped(
            f"{output}: {count_text(count, 'image')}, {size_text(size)}; read back and whole"
        )


@catalogue.command(
    epilog="""
\b
Examples:
  mediashelf catalogue restore ~/backup/library.sqlite --replace
  mediashelf catalogue restore library.sqlite --catalogue tried.sqlite
"""
)
@click.argument("source", type=click.Path(path_type=Path), metavar="FILE")
@click.option("--replace", is_flag=True, help="Put it in the place of the catalogue in use.")
@catalogue_option
@json_option
@quiet_option
def restore(
    source: Path, replace: bool, catalogue_path: Path | None, as_json: bool, quiet: bool
) -> None:
    """Bring a saved catalogue back from FILE.

    FILE is checked first and stays as it is. The catalogue in use is not lost: with
    --replace it is renamed and stays beside the new one.
    """
    with progress("checking and copying the saved catalogue", unit="", quiet=quiet):
        done = restore_catalogue(source, catalogue_place(catalogue_path), replace=replace)
    if as_json:
        say_json(
            document(
                "catalogue restore",
                catalogue=done.place,
                size=done.size,
                images=done.image_count,
                kept=done.kept,
            )
        )
    elif not quiet:
        say_wrapped(f"{done.place}: {count_text(done.image_count, 'image')} from {source}")
        if done.kept is not None:
            say_wrapped(f"The catalogue before is kept: {done.kept}")


@catalogue.command(
    epilog="""
\b
Examples:
  mediashelf catalogue check
  mediashelf catalogue check --catalogue ~/backup/library.sqlite
"""
)
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def check(catalogue_path: Path | None, as_json: bool, quiet: bool, fail_on: str) -> None:
    """Check that the catalogue is whole: its file, and that its rows agree with each other.

    Reads the catalogue alone, no image, and changes nothing.
    """
    with open_catalogue(catalogue_path) as opened:
        if not opened.exists:
            raise InputError(f"{opened.place}: there is no catalogue yet, so nothing to check")
        with progress("checking the catalogue", unit="", quiet=quiet):
            findings = check_catalogue(opened)
        place, exists = opened.place, opened.exists
        count = len(opened.images()) if not findings else 0
    if as_json:
        say_json(document("catalogue check", catalogue=place, exists=exists, findings=findings))
    elif findings:
        say_findings(findings)
    elif not quiet:
        images = count_text(count, "image")
        say_wrapped(f"{place}: {images}; the file is whole, and its rows agree")
    exit_for(findings, fail_on)
