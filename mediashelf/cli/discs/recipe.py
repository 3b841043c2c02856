"""``mediashelf recipe``: begin a recipe for a disc.

The shape of ``recipe new --json``: ``command`` and ``version``, then ``output`` (the
file, or null), ``text`` (the recipe), ``size`` of the disc in bytes, ``capacity`` (the
name of the medium that is suggested, or null), and ``folders``, one object each with
``from``, ``to``, and the lists ``packages`` and ``programs`` of objects with ``place``,
``text`` and ``identifiers`` (those of the machine that a program's files name).
``findings`` are the archives in the folders that hold packages or could not be opened. With
``--shelves`` it has ``command``, ``version``, ``output``, ``text`` and ``folders`` with
``from`` (a shelf, an image and a path in it), ``to``, ``only`` and ``packages`` (the paths
of the INFs, or of the folder), and the findings.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.building.recipes.draft import suggested_capacity
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import (
    catalogue_option,
    json_option,
    machines_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import say_json, tell
from mediashelf.jobs.discs.drafting import DraftedRecipe, draft_from_folders
from mediashelf.jobs.discs.recipe_options import RecipeOptions
from mediashelf.jobs.library.naming import find_place
from mediashelf.jobs.shelves.drafting import draft_for_machine
from mediashelf.readability.targets import load_targets
from mediashelf.text import count_text


@click.group()
def recipe() -> None:
    """Begin a recipe for a disc."""


@recipe.command(
    epilog="""
\b
Examples:
  mediashelf recipe new drivers -o disc.toml
  mediashelf recipe new drivers tools.zip -m machine.txt -t dos -t win9x -o disc.toml
  mediashelf recipe new --shelves -m machine.txt -t win9x -t nt5 -o disc.toml
"""
)
@click.argument("folders", nargs=-1, type=click.Path(path_type=Path), metavar="[FOLDER]...")
@click.option(
    "--shelves",
    "of_shelves",
    is_flag=True,
    help="Choose from the images on all shelves, as the last scan recorded them, what drives the "
    "machine.",
)
@target_option
@machines_option(
    "The machine that the drivers are for: output of `lspci -nn`, or a list of hardware ids."
)
@click.option("--label", help="The disc's label [default: the first folder's name].")
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file to write; it must not exist [default: standard output].",
)
@targets_folder_option
@catalogue_option
@json_option
@quiet_option
def new(
    folders: Sequence[Path],
    of_shelves: bool,
    target_names: Sequence[str],
    machine_paths: tuple[Path, ...],
    label: str | None,
    output: Path | None,
    targets_folder: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a commented recipe for FOLDERs, archives and images, to be edited.

    The driver packages that are found are in it as comments, with the devices of
    the machine that they are for, the size of the disc, and a medium that holds it.
    Folders of programs that come without an INF are named: only a person knows what
    they drive.

    With --shelves the recipe takes out of the library's images exactly the packages
    that win the machine's devices: those that `mediashelf drivers --shelves` shows.
    """
    if of_shelves:
        options = RecipeOptions(label or None, tuple(target_names), machine_paths)
        if folders:
            raise click.UsageError("--shelves chooses from the library; name no folder with it.")
        _from_shelves(options, targets_folder, output, catalogue_path, as_json, quiet)
        return
    if not folders:
        raise click.UsageError("Name a folder or an archive, or use --shelves.")
    if machine_paths and not target_names:
        raise click.UsageError("Drivers are judged for a system; name one with --target.")
    place_of = partial(find_place, catalogue_path=catalogue_path)
    drafted = draft_from_folders(
        [Path(place_of(str(folder))) for folder in folders],
        RecipeOptions(label or None, tuple(target_names), machine_paths),
        load_targets(targets_folder),
        output,
        progress=partial(progress, quiet=quiet),
    )
    if as_json:
        say_json(_document(output, drafted))
    elif output is None:
        click.echo(drafted.text, nl=False)
    elif not quiet:
        packages = count_text(drafted.package_count, "package")
        closed = count_text(len(drafted.unopened), "file")
        more = f"; {closed} still packed or not opened: see its end" if drafted.unopened else ""
        tell(f"{output}: {packages} with an INF{more}; edit it, then build it")
    if drafted.blockers and not as_json:
        errors = count_text(len(drafted.blockers), "error")
        tell(f"{errors} in these folders; build --dry-run tells which")


def _from_shelves(
    options: RecipeOptions,
    targets_folder: Path | None,
    output: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    if not (options.machines and options.targets):
        raise click.UsageError("--shelves needs a machine and a system: -m FILE -t TARGET.")
    with open_catalogue(catalogue_path) as catalogue:
        drafted = draft_for_machine(catalogue, options, load_targets(targets_folder), output)
    draft = drafted.draft
    if as_json:
        say_json(
            document(
                "recipe new",
                output=output,
                text=draft.text,
                folders=[
                    {
                        "from": source.place,
                        **chosen(source, "to"),
                        "only": list(source.only),
                        "packages": source.about,
                    }
                    for source in draft.sources
                ],
                findings=drafted.findings,
            )
        )
    elif output is None:
        click.echo(draft.text, nl=False)
    elif not quiet:
        for summary in drafted.summaries:
            tell(summary)
        packages = count_text(sum(len(source.about) for source in draft.sources), "package")
        tell(f"{output}: {packages} from the library; now: mediashelf build {output} -o DISC.iso")


def _document(output: Path | None, drafted: DraftedRecipe) -> dict[str, Any]:
    draft = drafted.draft
    capacity = suggested_capacity(draft.size)
    return document(
        "recipe new",
        output=output,
        text=drafted.text,
        size=draft.size,
        capacity=None if capacity is None else capacity.name,
        folders=[
            {"from": source.path, **chosen(source, "to", "packages", "programs")}
            for source in draft.sources
        ],
        findings=drafted.unopened,
    )
