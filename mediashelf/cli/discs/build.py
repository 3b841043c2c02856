"""``mediashelf build``: folders or a recipe in, a disc out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mediashelf.building.recipes.capacity import NAMED, parse_capacity
from mediashelf.building.writing.blocking import refuse_blocked
from mediashelf.cli.discs.build_text import say_result, say_work
from mediashelf.cli.options import (
    catalogue_option,
    fail_on_option,
    json_option,
    machines_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_findings, say_json, say_wrapped, tell
from mediashelf.cli.report_file import report_option
from mediashelf.errors import RecipeError
from mediashelf.findings import Finding, Severity, at_least
from mediashelf.jobs.discs.building import BuiltRecipe, build_recipe, refuse_destination
from mediashelf.jobs.discs.recipe_options import RecipeOptions, find_recipe, is_recipe
from mediashelf.jobs.discs.recipe_plan import plan_recipe

if TYPE_CHECKING:
    from mediashelf.readability.targets import Target

PLACES_SHOWN = 5


def _checked_capacity(
    context: click.Context, option: click.Parameter, text: str | None
) -> str | None:
    """Return the words, unless they mean no capacity."""
    try:
        parse_capacity(text or "74min")
    except RecipeError as error:
        raise click.BadParameter(str(error)) from error
    return text


@click.command(
    epilog="""
\b
Examples:
  mediashelf build drivers -o drivers.iso
  mediashelf build drivers tools -o disc.iso --label KIOSK -t dos -t win9x
  mediashelf build disc.toml --dry-run
  mediashelf build disc.toml -o disc.iso --report disc.html
  mediashelf build disc.toml -o disc.iso --replace
  mediashelf build disc.toml -o disc.iso -m machine.txt -t win9x
  mediashelf build disc.toml --spread --capacity 21min -o discs
  mediashelf build dos-tools -o boot.iso --boot floppy.img
"""
)
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="The disc image to write; with --spread the folder for the images. Needed unless "
    "--dry-run.",
)
@click.option("--label", help="The disc's label [default: the recipe's, or the folder's name].")
@target_option
@targets_folder_option
@machines_option(
    "A machine whose devices must find drivers on the disc: output of `lspci -nn`, or a list "
    "of hardware ids."
)
@click.option(
    "--capacity",
    metavar="SIZE",
    callback=_checked_capacity,
    help=f"What the disc must fit on: {', '.join(NAMED)}, '333000 sectors', '650 MiB' "
    "[default: all that an emulated drive can serve].",
)
@click.option(
    "--spread",
    "is_spread",
    is_flag=True,
    help="Build several discs of the capacity, with packages whole.",
)
@click.option(
    "--boot",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Boot from this file: emulated when it has the size of a floppy.",
)
@click.option("--no-index", is_flag=True, help="Leave the index page off the disc.")
@click.option("-n", "--dry-run", is_flag=True, help="Show the plan; write nothing.")
@click.option("--anyway", is_flag=True, help="Build although there are errors.")
@click.option("--replace", "may_replace", is_flag=True, help="Write over an existing file.")
@report_option("Write a page as well: what takes up the space, where it fits, what was renamed.")
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def build(
    sources: tuple[Path, ...],
    output: Path | None,
    label: str | None,
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    machine_paths: tuple[Path, ...],
    capacity: str | None,
    is_spread: bool,
    boot: Path | None,
    no_index: bool,
    dry_run: bool,
    anyway: bool,
    may_replace: bool,
    report_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Build a disc that DOS prompts and desktops can both read.

    SOURCES are folders, archives and images, or one recipe (a .toml file). The contents
    of a single folder become the contents of the disc; several keep their names. The
    disc carries short names (8.3, ISO 9660 level 1), long names (Joliet) and an index
    page that tells which is which. Equal files are stored once, and equal
    sources give an equal disc, byte for byte. The plan is shown and checked for every
    system first; errors stop the build unless --anyway. With a machine, its drivers
    are looked for in the sources and on the disc, listed on the disc's pages, and
    none may get lost between the two. A finished disc is read back and compared
    before it gets its name.
    """
    if output is None and not dry_run:
        raise click.UsageError("Name the disc to write with -o, or add --dry-run.")
    if len(sources) > 1 and any(is_recipe(path) for path in sources):
        raise click.UsageError("Name either one recipe or folders, not both.")
    options = RecipeOptions(
        *(label, target_names, machine_paths, capacity, boot, not no_index),
        find_place=partial(_find_place, catalogue_path),
    )
    recipe = find_recipe(sources, options)
    may_replace = may_replace or dry_run
    if output is not None:
        # Said before an hour of reading, not after it.
        refuse_destination(recipe, output, is_spread=is_spread, replace=may_replace)
    if machine_paths and not recipe.targets:
        raise click.UsageError("Drivers are judged for a system; name one with --target.")
    targets = _targets(recipe.targets, targets_folder)
    shown = partial(progress, quiet=quiet)
    work = plan_recipe(recipe, targets, is_spread=is_spread, progress=shown)
    if not (as_json or quiet):
        say_work(work, show_renamed=dry_run)
    if not as_json:
        say_findings(_worth_saying(work.findings, quiet), limit=PLACES_SHOWN)

    blockers = work.blockers(anyway=anyway)
    built = BuiltRecipe()
    if output is not None and not dry_run and not blockers:
        built = build_recipe(work, output, anyway=anyway, replace=may_replace, progress=shown)
        for path in built.older:
            tell(f"{path}: is not one of these discs; remove it if it was one once")
    if as_json:
        from mediashelf.cli.discs.build_json import build_document

        say_json(build_document(work, built.discs, is_dry_run=dry_run, anyway=anyway))
    elif not quiet:
        say_result(work.findings, work.blockers(anyway=False), built.discs)
    if report_path is not None:
        # Loaded only for a page: templates cost as much as a small disc.
        from mediashelf.cli.discs.build_report import write_pages

        pages = write_pages(report_path, work, built.discs, is_dry_run=dry_run)
        if not (as_json or quiet):
            say_wrapped(f"Report: {', '.join(map(str, pages))}")
    if not dry_run:
        refuse_blocked(blockers)
    exit_for(work.findings, fail_on)


def _find_place(catalogue_path: Path | None, text: str) -> str:
    # Loaded only for places that are not files: it needs the catalogue.
    from mediashelf.jobs.library.naming import find_place

    return find_place(text, catalogue_path)


def _targets(names: Sequence[str], folder: Path | None) -> list[Target]:
    if not names and folder is None:
        return []
    from mediashelf.readability.targets import load_targets, pick_targets

    return pick_targets(names, load_targets(folder))


def _worth_saying(findings: Iterable[Finding], quiet: bool) -> Sequence[Finding]:
    return at_least(findings, Severity.WARNING if quiet else Severity.NOTE)
