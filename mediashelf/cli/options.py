"""Options that several commands share, named once."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")

quiet_option = click.option(
    "-q", "--quiet", is_flag=True, help="Print only what needs attention; no progress."
)


def make_fail_on_option(default: str) -> Callable[[Command], Command]:
    """Return the option for a command in which findings count from another severity on."""
    return click.option(
        "--fail-on",
        type=click.Choice(["error", "warning", "note", "never"]),
        default=default,
        show_default=True,
        help="Lowest severity that makes the exit code 1.",
    )


fail_on_option = make_fail_on_option("error")


def _with_upgrades_told(
    context: click.Context, option: click.Parameter, place: Path | None
) -> Path | None:
    """Have it shown where the catalogue that this command uses is brought up to date."""
    from mediashelf.catalogue.steps.upgrading import tell_upgrades

    tell_upgrades(_upgrade_progress)
    return place


def _upgrade_progress(label: str) -> AbstractContextManager[object]:
    from mediashelf.cli.progress import progress  # rarely needed

    return progress(label, unit="")


# These two are wanted once in a lifetime: the help of the whole program tells of them, so
# that they do not stand in the way in that of each command.
catalogue_option = click.option(
    "--catalogue",
    "catalogue_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    envvar="MEDIASHELF_CATALOGUE",
    hidden=True,
    is_eager=True,  # images that are named by it come after it
    callback=_with_upgrades_told,
)


class NamedFileType(click.Path):
    """A file by its path, or an image by the name that the catalogue has for it, or a place in one.

    For commands with :data:`catalogue_option`.
    """

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(
        self,
        value: str | os.PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Any:
        if not os.path.lexists(value):
            # Loaded only here: most names are those of files.
            from mediashelf.jobs.library.naming import find_place

            place = ctx.params.get("catalogue_path") if ctx is not None else None
            value = find_place(os.fspath(value), place if isinstance(place, Path) else None)
        return super().convert(value, param, ctx)


NAMED_FILE = NamedFileType()

targets_folder_option = click.option(
    "--targets-folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    envvar="MEDIASHELF_TARGETS",
    hidden=True,
)

target_option = click.option(
    "--target",
    "-t",
    "target_names",
    multiple=True,
    metavar="TARGET",
    help="A system that must read the disc: dos, win9x, nt4, nt5, nt6 or one of yours. Repeatable.",
)


def machines_option(words: str) -> Callable[[Command], Command]:
    """Return the option that names the files of a machine; ``words`` are its help."""
    kind = click.Path(dir_okay=False, path_type=Path)
    return click.option("-m", "--machine", "machine_paths", multiple=True, type=kind, help=words)


def moved_option(flag: str, cure: str) -> Callable[[Command], Command]:
    """Return an option that is elsewhere now, and says where; it is not listed in the help."""

    def refuse(context: click.Context, option: click.Parameter, value: str | None) -> None:
        if value is not None:
            raise click.UsageError(f"Use instead: {cure}", context)

    return click.option(flag, callback=refuse, hidden=True, expose_value=False)
