"""``mediashelf recipe``: begin a recipe for a disc.

The shape of ``recipe new --json``: ``command`` and ``version``, then ``output`` (the
file, or null), ``text`` (the recipe), ``size`` of the disc in bytes, ``capacity`` (the
name of the medium that is suggested, or null), and ``folders``, one object each with
``from``, ``to``, and the lists ``packages`` and ``programs`` of objects with ``place``
and ``text``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.building.planning.disc_plan import plan_listing
from mediashelf.building.planning.listing import Listing, list_sources
from mediashelf.building.recipes.draft import (
    DraftSource,
    FoundPackage,
    RecipeDraft,
    draft_recipe,
    suggested_capacity,
)
from mediashelf.building.recipes.recipe import Recipe, own_name, recipe_from_folders
from mediashelf.building.writing.blocking import blocking
from mediashelf.cli.options import (
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import say_json, tell
from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.findings import device_title
from mediashelf.drivers.machines.reading import read_machine
from mediashelf.drivers.survey import Survey
from mediashelf.files import write_whole
from mediashelf.formats.inf.models import all_models
from mediashelf.jobs.disc_drivers import SourceDrivers, survey_sources
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.text import count_text

FILES_NAMED = 4


@click.group()
def recipe() -> None:
    """Begin a recipe for a disc."""


@recipe.command(
    epilog="""
\b
Examples:
  mediashelf recipe new drivers -o disc.toml
  mediashelf recipe new drivers tools.zip -m machine.txt -t dos -t win9x -o disc.toml
"""
)
@click.argument(
    "folders", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FOLDER..."
)
@target_option
@click.option(
    "-m",
    "--machine",
    "machine_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A machine whose devices the drivers are for: text of lspci, or ids.",
)
@click.option("--label", help="The disc's label [default: the first folder's name].")
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file to write; it must not exist [default: standard output].",
)
@targets_folder_option
@json_option
@quiet_option
def new(
    folders: Sequence[Path],
    target_names: Sequence[str],
    machine_path: Path | None,
    label: str | None,
    output: Path | None,
    targets_folder: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a commented recipe for FOLDERs and .zip archives, to be edited.

    The driver packages that are found stand in it as comments, with the devices of
    the machine that they are for, the size of the disc, and a medium that holds it.
    Folders of programs that come without an INF are named: only a person knows what
    they drive.
    """
    if machine_path is not None and not target_names:
        raise click.UsageError("Drivers are judged for a target; name one with --target.")
    targets = pick_targets(target_names, load_targets(targets_folder))
    machine = read_machine(machine_path) if machine_path is not None else None
    plain = recipe_from_folders(list(folders), label=label or "", targets=target_names)
    with progress("looking at the sources", quiet=quiet) as on_bytes:
        listing = list_sources(plain, on_bytes=on_bytes)
    sources = survey_sources(
        plain, listing, machine, targets, progress=partial(progress, quiet=quiet)
    )
    plan = plan_listing(plain, listing)
    draft = RecipeDraft(
        plain.label or "DISC",
        tuple(_sources(plain, listing, sources)),
        tuple(target_names),
        plan.size,
        len(listing.files),
        plan.source_size,
        machine_path,
        tuple(_devices(sources)),
        tuple(_without_driver(sources)),
    )
    place = (output.parent if output is not None else Path()).absolute()
    text = draft_recipe(draft, place)
    if output is not None:
        write_whole(output, text.encode("utf-8"), replace=False)
    if as_json:
        say_json(_document(output, text, draft))
    elif output is None:
        click.echo(text, nl=False)
    elif not quiet:
        count = sum(len(source.packages) for source in draft.sources)
        tell(f"{output}: {count_text(count, 'package')} with an INF; edit it, then build it")
    errors = blocking(plan.findings)
    if errors and not as_json:
        tell(f"{count_text(len(errors), 'error')} in these folders; build --dry-run tells which")


def _sources(plain: Recipe, listing: Listing, drivers: SourceDrivers) -> Iterator[DraftSource]:
    """Yield each source with the packages in it; what is in none of them is not told."""
    result = next(iter(drivers.surveys.values()), None)
    origin_of = {path: file.origin for path, file in listing.iter_paths()}
    for number, source in enumerate(plain.folders):
        top = "".join(f"/{name}" for name in source.to)
        packages = list(_packages(result, origin_of, number, top)) if result else []
        programs = list(_programs(result, origin_of, number, top)) if result else []
        to = f"/{own_name(source.path)}" if source.to else "/"
        yield DraftSource(source.path, to.replace("\\", "_"), tuple(packages), tuple(programs))


def _packages(
    result: Survey, origin_of: dict[str, int], number: int, top: str
) -> Iterator[FoundPackage]:
    for surveyed in result.packages:
        package = surveyed.package
        if origin_of.get(package.file.path) != number:
            continue
        names = list(dict.fromkeys(model.description for model in all_models(package.inf)))
        more = f" and {len(names) - 1:,} more" if names[1:] else ""
        about = [package.inf.version_value(key) for key in ("Class", "Provider")]
        text = ", ".join([*filter(None, about), *(f"{name}{more}" for name in names[:1])])
        yield FoundPackage(package.file.path.removeprefix(top), text)


def _programs(
    result: Survey, origin_of: dict[str, int], number: int, top: str
) -> Iterator[FoundPackage]:
    for package in result.dos_packages:
        path = "" if package.folder == "/" else package.folder
        if any(origin_of.get(f"{path}/{name}") == number for name in package.files):
            names = ", ".join(package.files[:FILES_NAMED])
            yield FoundPackage(path.removeprefix(top), f"{package.kind.value}: {names}")


def _devices(drivers: SourceDrivers) -> Iterator[str]:
    """Yield what each target finds for each device, if there is a machine."""
    for target, result in drivers.surveys.items() if drivers.machine else ():
        yield f"for {target}:"
        for number, cover in enumerate(result.covers, 1):
            yield f"{number} {device_title(cover)}: {_found(cover)}"


def _found(cover: DeviceCover) -> str:
    if cover.cover is Cover.NONE or cover.best is None:
        return "no driver here"
    condition = "" if cover.cover is Cover.DRIVER else " (not certain)"
    return f"{cover.best.package.file.path}{condition}"


def _without_driver(drivers: SourceDrivers) -> list[str]:
    """Return the identifiers of devices that no target finds a driver for."""
    if drivers.machine is None:
        return []
    found = {
        index
        for result in drivers.surveys.values()
        for index, cover in enumerate(result.covers)
        if cover.cover is Cover.DRIVER
    }
    devices = enumerate(drivers.machine.devices)
    return [device.main_id for index, device in devices if index not in found and device.main_id]


def _document(output: Path | None, text: str, draft: RecipeDraft) -> dict[str, Any]:
    capacity = suggested_capacity(draft.size)
    return {
        "command": "recipe new",
        "version": 1,
        "output": None if output is None else str(output),
        "text": text,
        "size": draft.size,
        "capacity": None if capacity is None else capacity.name,
        "folders": [
            {
                "from": str(source.path),
                "to": source.to,
                "packages": [asdict(package) for package in source.packages],
                "programs": [asdict(package) for package in source.programs],
            }
            for source in draft.sources
        ],
    }
