"""``mediashelf build``: folders or a recipe in, a disc out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from mediashelf.building.blocking import blocking, refuse_blocked
from mediashelf.building.boot import PlannedBoot
from mediashelf.building.capacity import EMULATED_DRIVE, NAMED, parse_capacity
from mediashelf.building.destination import check_output
from mediashelf.building.plan import DiscPlan, plan_disc
from mediashelf.building.recipe import BootImage, Recipe, load_recipe, recipe_from_folders
from mediashelf.building.write import BuiltDisc, build_disc
from mediashelf.cli.options import (
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import (
    exit_for,
    say,
    say_findings,
    say_json,
    say_wrapped,
    summary,
)
from mediashelf.cli.report_file import report_option
from mediashelf.findings import Finding, Severity
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.readability.check import check_targets, verdict_on
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.sessions.emulator import check_lun
from mediashelf.text import count_text, size_text

RENAMED_SHOWN = 20
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
  mediashelf build dos-tools -o boot.iso --boot floppy.img
"""
)
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The disc image to write; needed unless --dry-run.",
)
@click.option("--label", help="The disc's label [default: the recipe's, or the folder's name].")
@target_option
@targets_folder_option
@click.option(
    "--capacity",
    metavar="SIZE",
    help=f"What the disc must fit on: {', '.join(NAMED)}, '333000 sectors', '650 MiB' "
    "[default: all that an emulated drive can serve].",
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
    capacity: str | None,
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

    SOURCES are folders, or one recipe (a .toml file). The contents of a single
    folder become the contents of the disc; several folders keep their names. The
    disc carries short names (8.3, ISO 9660 level 1), long names (Joliet) and an
    index page that tells which is which. Equal files take their place once, and
    equal sources give an equal disc, byte for byte. The plan is shown and checked
    for every target first; errors stop the build unless --anyway. A finished disc
    is read back and compared before it gets its name.
    """
    if output is None and not dry_run:
        raise click.UsageError("Name the disc to write with -o, or add --dry-run.")
    recipe = _recipe(sources, label, target_names, capacity, boot, no_index)
    if output is not None:
        check_output(recipe, output, replace=may_replace or dry_run)
    targets = pick_targets(recipe.targets, load_targets(targets_folder))
    with progress("looking at the sources", quiet=quiet) as on_bytes:
        plan = plan_disc(recipe, on_bytes=on_bytes)
    verdicts: dict[str, str] = {}
    findings = list(plan.findings)
    if plan.capacity != EMULATED_DRIVE:
        findings += check_lun(plan.size, where="/")
    for target, found in check_targets(plan.facts, targets):
        verdicts[target.name] = str(verdict_on(found))
        findings += found
    if not (as_json or quiet):
        _say_plan(plan, verdicts, show_renamed=dry_run)
    if not as_json:
        say_findings(_worth_saying(findings, quiet), limit=PLACES_SHOWN)

    built = None
    blockers = blocking(findings, anyway=anyway)
    if output is not None and not dry_run and not blockers:
        with progress("building", total=2 * plan.content_size, quiet=quiet) as on_bytes:
            built = build_disc(plan, output, anyway=anyway, replace=may_replace, on_bytes=on_bytes)
    if as_json:
        say_json(_document(plan, findings, verdicts, built, dry_run, anyway))
    elif not quiet:
        _say_result(findings, built)
    if report_path is not None:
        # Loaded only for a page: templates cost as much as a small disc.
        from mediashelf.cli.build_report import write_plan_page

        write_plan_page(report_path, plan, findings, verdicts, built, is_dry_run=dry_run)
        if not (as_json or quiet):
            say_wrapped(f"Report: {report_path}")
    if not dry_run:
        refuse_blocked(blockers)
    exit_for(findings, fail_on)


def _recipe(
    sources: Sequence[Path],
    label: str | None,
    target_names: Sequence[str],
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


def _say_plan(plan: DiscPlan, verdicts: dict[str, str], *, show_renamed: bool) -> None:
    say_wrapped(f"{plan.recipe.label} (label {plan.label.short})")
    shared = f"; equal files save {size_text(plan.shared_size)}" if plan.shared_size else ""
    say_wrapped(
        f"{count_text(len(plan.files), 'file')} in {count_text(plan.folder_count, 'folder')}, "
        f"{size_text(plan.source_size)}{shared}",
        indent=2,
    )
    say_wrapped(f"{plan.size // SECTOR_SIZE:,} sectors, {plan.size:,} bytes", indent=2)
    capacity = plan.capacity
    say_wrapped(
        f"{capacity.percent_of(plan.size):.1f} % of {capacity.name} ({capacity.sectors:,} sectors)",
        indent=2,
    )
    if plan.boot is not None:
        say_wrapped(f"boots {_boot_text(plan.boot)}", indent=2)
    for name, verdict in verdicts.items():
        say_wrapped(f"{name} {verdict}", indent=2)
    renamed = [file for file in plan.files if file.is_renamed]
    if renamed and show_renamed:
        say()
        say_wrapped(f"{count_text(len(renamed), 'short name')} unlike the long one")
        for file in renamed[:RENAMED_SHOWN]:
            say_wrapped(file.short_path, indent=2)
            say_wrapped(file.long_path.rpartition("/")[2], indent=4)
        if len(renamed) > RENAMED_SHOWN:
            say_wrapped(
                f"… and {len(renamed) - RENAMED_SHOWN:,} more; --json and the disc's index page "
                "list all",
                indent=2,
            )
    say()


def _boot_text(boot: PlannedBoot) -> str:
    if boot.is_emulated:
        return "with an emulated floppy"
    return f"without emulation, {count_text(boot.load_sectors, 'sector')} of 512 bytes loaded"


def _say_result(findings: Sequence[Finding], built: BuiltDisc | None) -> None:
    if findings:
        say()
    say_wrapped(summary(findings))
    if built is not None:
        errors = len(blocking(findings))
        spite = f" in spite of {count_text(errors, 'error')}" if errors else ""
        say_wrapped(
            f"{built.path}: built{spite}; read back, {count_text(built.file_count, 'file')} "
            "equal to the sources"
        )


def _document(
    plan: DiscPlan,
    findings: Iterable[Finding],
    verdicts: dict[str, str],
    built: BuiltDisc | None,
    dry_run: bool,
    anyway: bool,
) -> dict[str, Any]:
    """Return the JSON form: the plan, its findings, and the disc when one was built."""
    capacity = plan.capacity
    digests = built.digests if built is not None else {}
    return {
        "command": "build",
        "version": 1,
        "dry_run": dry_run,
        "anyway": anyway,
        "label": plan.label.short,
        "long_label": plan.label.long,
        "date": plan.made.isoformat(),
        "targets": verdicts,
        "size": plan.size,
        "sectors": plan.size // SECTOR_SIZE,
        "capacity": {
            "name": capacity.name,
            "sectors": capacity.sectors,
            "size": capacity.size,
            "percent": round(capacity.percent_of(plan.size), 2),
        },
        "folder_count": plan.folder_count,
        "file_count": len(plan.files),
        "source_size": plan.source_size,
        "shared_size": plan.shared_size,
        "boot": _boot_document(plan.boot),
        "files": [
            {
                "short_path": file.short_path,
                "long_path": file.long_path,
                "source": file.source or None,
                "size": file.size,
                "is_renamed": file.is_renamed,
                "is_shared": file.is_shared,
                "sha256": digests.get(file.long_path),
            }
            for file in plan.files
        ],
        "findings": [finding.as_dict() for finding in findings],
        "built": None if built is None else {"path": str(built.path), "size": built.size},
    }


def _boot_document(boot: PlannedBoot | None) -> dict[str, Any] | None:
    if boot is None:
        return None
    return {
        "image": boot.content.path,
        "media_type": boot.media_type,
        "load_sectors": boot.load_sectors,
    }
