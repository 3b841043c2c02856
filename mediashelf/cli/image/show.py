"""``mediashelf show``: what is in an image, and what happened to it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from mediashelf.cli.image.show_identity import say_identity
from mediashelf.cli.image.show_json import json_pieces
from mediashelf.cli.image.show_text import say_image, write_text
from mediashelf.cli.options import (
    catalogue_option,
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.render import exit_for, say, say_wrapped, tell
from mediashelf.cli.report_file import report_option
from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.formats.volume import VolumeKind
from mediashelf.jobs.library.naming import NamedFile, find_files, record_of
from mediashelf.trees.as_image import open_as_image

if TYPE_CHECKING:
    from mediashelf.catalogue.questions.duplicates import Alike
    from mediashelf.readability.targets import Target

_NOT_WITH_HISTORY = {
    "tree": "tree",
    "kinds": "volume",
    "show_all": "all",
    "report_path": "report",
    "machine_path": "machine",
    "target_names": "target",
}


@click.command(
    epilog="""
\b
Examples:
  mediashelf show disc.iso
  mediashelf show disc.iso --tree
  mediashelf show disc.iso --tree --volume joliet
  mediashelf show disc.iso --json
  mediashelf show -q library/*.iso
  mediashelf show disc.iso --history
  mediashelf show drivers.iso --report page.html -t win9x -m machine.txt
"""
)
@click.argument("names", nargs=-1, required=True, metavar="IMAGE...")
@click.option("--tree", is_flag=True, help="List every file and folder of each volume.")
@click.option(
    "--volume",
    "kinds",
    type=click.Choice([kind.value for kind in VolumeKind]),
    multiple=True,
    help="Show only volumes of this kind. Repeatable.",
)
@click.option("--all", "show_all", is_flag=True, help="Print every finding in full.")
@click.option(
    "--history",
    is_flag=True,
    help="Show what happened to an image on record instead; its file may be gone.",
)
@report_option("Write a page as well: what takes up the space, where it fits, what was renamed.")
@click.option(
    "-m",
    "--machine",
    "machine_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="For the page: which of this machine's devices find their drivers; see drivers --help.",
)
@target_option
@targets_folder_option
@catalogue_option
@json_option
@quiet_option
@fail_on_option
@click.pass_context
def show(
    context: click.Context,
    names: tuple[str, ...],
    tree: bool,
    kinds: tuple[str, ...],
    show_all: bool,
    history: bool,
    report_path: Path | None,
    machine_path: Path | None,
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Show what an image holds: volumes, labels, trees, boot methods, space used, findings.

    Reads the structures of the disc, not the contents of its files, so that many
    images take seconds. A finding is something about those structures that is not as
    it should be. The page of --report also has what its systems and machine find in
    it. An image on record may be named as the library names it. With --history, when an
    image was recorded, confirmed, found wrong, mended, put on which card, and how it did
    in which session.
    """
    if len(names) > 1 and (as_json or report_path is not None):
        raise click.UsageError("--json and --report describe one image; name one.")
    if history:
        _say_histories(context, names, catalogue_path, as_json=as_json, quiet=quiet)
        return
    targets = _page_targets(report_path, machine_path, target_names, targets_folder)

    alike: Alike = {}

    def show_one(path: Path) -> list[Finding]:
        row, copies = record_of(path, catalogue_path, alike)
        with open_as_image(path) as image:
            volumes = tuple(
                volume for volume in image.facts.volumes if not kinds or volume.kind.value in kinds
            )
            if as_json:
                write_text(json_pieces(image, volumes, row, copies))
            else:
                if not quiet:
                    say_identity(image, row, copies)
                is_one = len(names) == 1
                say_image(image, volumes, tree=tree, show_all=show_all, quiet=quiet, is_one=is_one)
            if report_path is not None:
                # Loaded only for a page: templates and drivers cost more than a short answer.
                from mediashelf.cli.image.show_report import write_image_page

                write_image_page(report_path, image, targets, machine_path)
                if not (as_json or quiet):
                    say_wrapped(f"Report: {report_path}")
            return list(image.findings)

    exit_for(_each(find_files(names, catalogue_path), show_one, is_apart=not quiet), fail_on)


def _each(
    files: Sequence[NamedFile], show_one: Callable[[Path], list[Finding]], *, is_apart: bool
) -> list[Finding]:
    """Show one image after the other; one that cannot be opened does not hide the others."""
    findings: list[Finding] = []
    failed: InputError | None = None
    for number, file in enumerate(files):
        if number and is_apart:
            say()
        try:
            findings += show_one(file.opened_path)
        except InputError as error:
            if len(files) == 1:
                raise
            tell(str(error))
            failed = error
    if failed is not None:
        raise SystemExit(failed.exit_code)
    return findings


def _say_histories(
    context: click.Context,
    names: Sequence[str],
    catalogue_path: Path | None,
    *,
    as_json: bool,
    quiet: bool,
) -> None:
    for option, word in _NOT_WITH_HISTORY.items():
        if context.get_parameter_source(option) is not ParameterSource.DEFAULT:
            raise click.UsageError(f"--history opens no image; it takes no --{word}.")
    # Loaded only here: an image is shown without a catalogue.
    from mediashelf.catalogue.store import open_catalogue
    from mediashelf.cli.image.show_history import say_history

    with open_catalogue(catalogue_path) as catalogue:
        for number, name in enumerate(names):
            if number:
                say()
            say_history(catalogue, name, as_json=as_json, quiet=quiet)


def _page_targets(
    report_path: Path | None,
    machine_path: Path | None,
    names: tuple[str, ...],
    folder: Path | None,
) -> list[Target]:
    if report_path is None and (machine_path is not None or names):
        raise click.UsageError("--machine and --target are for the page; name it with --report.")
    if machine_path is not None and not names:
        raise click.UsageError("--machine needs a system; name it with --target.")
    if not names:
        return []
    from mediashelf.readability.targets import load_targets, pick_targets

    return pick_targets(names, load_targets(folder))
