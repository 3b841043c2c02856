"""``mediashelf build``: folders or a recipe in, a disc out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.building.recipes.capacity import NAMED, parse_capacity
from mediashelf.building.recipes.recipe import BootImage, Recipe, load_recipe, recipe_from_folders
from mediashelf.building.spread.series import file_names, file_stem
from mediashelf.building.writing.blocking import refuse_blocked
from mediashelf.building.writing.destination import check_output
from mediashelf.building.writing.write import build_discs
from mediashelf.cli.discs.build_json import document
from mediashelf.cli.discs.build_text import say_result, say_work
from mediashelf.cli.options import (
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_findings, say_json, say_wrapped, tell
from mediashelf.cli.report_file import report_option
from mediashelf.errors import OutputError
from mediashelf.findings import Finding, Severity
from mediashelf.jobs.build_work import BuildWork, plan_work
from mediashelf.readability.targets import load_targets, pick_targets

PLACES_SHOWN = 5


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
@click.option(
    "-m",
    "--machine",
    "machine_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A machine whose devices must find their drivers on the disc: text of lspci, or ids.",
)
@click.option(
    "--capacity",
    metavar="SIZE",
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
@report_option("Write a page as well: what takes the room, where it fits, what was renamed.")
@json_option
@quiet_option
@fail_on_option
def build(
    sources: tuple[Path, ...],
    output: Path | None,
    label: str | None,
    target_names: tuple[str, ...],
    targets_folder: Path | None,
    machine_path: Path | None,
    capacity: str | None,
    is_spread: bool,
    boot: Path | None,
    no_index: bool,
    dry_run: bool,
    anyway: bool,
    may_replace: bool,
    report_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Build a disc that DOS prompts and desktops can both read.

    SOURCES are folders and .zip archives, or one recipe (a .toml file). The contents
    of a single folder become the contents of the disc; several keep their names. The
    disc carries short names (8.3, ISO 9660 level 1), long names (Joliet) and an index
    page that tells which is which. Equal files take their place once, and equal
    sources give an equal disc, byte for byte. The plan is shown and checked for every
    target first; errors stop the build unless --anyway. With a machine, its drivers
    are looked for in the sources and on the disc, listed on the disc's pages, and
    none may get lost between the two. A finished disc is read back and compared
    before it gets its name.
    """
    if output is None and not dry_run:
        raise click.UsageError("Name the disc to write with -o, or add --dry-run.")
    recipe = _recipe(sources, label, target_names, machine_path, capacity, boot, no_index)
    may_replace = may_replace or dry_run
    if output is not None:
        # Said before an hour of reading, not after it.
        if is_spread:
            _check_folder(output)
        else:
            check_output(recipe, output, replace=may_replace)
    targets = pick_targets(recipe.targets, load_targets(targets_folder))
    if recipe.machine is not None and not targets:
        raise click.UsageError("Drivers are judged for a target; name one with --target.")
    work = plan_work(recipe, targets, is_spread=is_spread, progress=partial(progress, quiet=quiet))
    if not (as_json or quiet):
        say_work(work, show_renamed=dry_run)
    if not as_json:
        say_findings(_worth_saying(work.findings, quiet), limit=PLACES_SHOWN)

    blockers = work.blockers(anyway=anyway)
    built = []
    if output is not None and not dry_run and not blockers:
        outputs = _outputs(work, output, may_replace)
        with progress("building", total=2 * work.content_size, quiet=quiet) as on_bytes:
            built = build_discs(
                work.plans, outputs, anyway=anyway, replace=may_replace, on_bytes=on_bytes
            )
    if as_json:
        say_json(document(work, built, is_dry_run=dry_run, anyway=anyway))
    elif not quiet:
        say_result(work.findings, work.blockers(anyway=False), built)
    if report_path is not None:
        # Loaded only for a page: templates cost as much as a small disc.
        from mediashelf.cli.discs.build_report import write_pages

        pages = write_pages(report_path, work, built, is_dry_run=dry_run)
        if not (as_json or quiet):
            say_wrapped(f"Report: {', '.join(map(str, pages))}")
    if not dry_run:
        refuse_blocked(blockers)
    exit_for(work.findings, fail_on)


def _check_folder(folder: Path) -> None:
    """Raise :class:`OutputError` when this cannot be, or become, the folder of a series."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is no folder; with --spread name one for the images")
    if not folder.absolute().parent.is_dir():
        raise OutputError(f"{folder}: there is no folder {folder.parent}; make it first")


def _outputs(work: BuildWork, output: Path, may_replace: bool) -> list[Path]:
    """Return where the discs go; the folder of a series is made when it is not there."""
    if work.series is None:
        return [output]
    names = file_names(work.recipe.label, len(work.plans))
    paths = [output / name for name in names]
    for path in paths:
        check_output(work.recipe, path, replace=may_replace)
    try:
        output.mkdir(exist_ok=True)
        others = sorted({path.name for path in output.glob("*.iso")} - set(names))
    except OSError as error:
        raise OutputError(f"{output}: cannot be made: {error.strerror or error}") from error
    ours = re.compile(re.escape(file_stem(work.recipe.label)) + r"(-[0-9]+)?\.iso")
    for name in others:
        if ours.fullmatch(name):
            tell(f"{output / name}: is not one of these discs; remove it if it was one once")
    return paths


def _recipe(
    sources: Sequence[Path],
    label: str | None,
    target_names: Sequence[str],
    machine_path: Path | None,
    capacity: str | None,
    boot: Path | None,
    no_index: bool,
) -> Recipe:
    """Return the recipe that the arguments name; options go before what it says."""
    recipes = [path for path in sources if path.suffix.lower() == ".toml" and not path.is_dir()]
    if recipes and len(sources) > 1:
        raise click.UsageError("Name either one recipe or folders, not both.")
    recipe = load_recipe(recipes[0]) if recipes else recipe_from_folders(sources)
    changes: dict[str, Any] = {}
    if label is not None:
        changes["label"] = label
    if target_names:
        changes["targets"] = tuple(target_names)
    if machine_path is not None:
        changes["machine"] = machine_path
    if capacity is not None:
        changes["capacity"] = parse_capacity(capacity)
    if boot is not None:
        changes["boot"] = BootImage(boot)
    if no_index:
        changes["index"] = False
    return replace(recipe, **changes)


def _worth_saying(findings: Iterable[Finding], quiet: bool) -> list[Finding]:
    least = Severity.WARNING if quiet else Severity.NOTE
    return [finding for finding in findings if finding.severity >= least]
