"""Options that several commands share, named once."""

from __future__ import annotations

from pathlib import Path

import click

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")

quiet_option = click.option(
    "-q", "--quiet", is_flag=True, help="Print only what needs attention; no progress."
)

fail_on_option = click.option(
    "--fail-on",
    type=click.Choice(["error", "warning", "note", "never"]),
    default="error",
    show_default=True,
    help="Lowest severity that makes the exit code 1.",
)

catalogue_option = click.option(
    "--catalogue",
    "catalogue_path",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="MEDIASHELF_CATALOGUE",
    show_envvar=True,
    help="The catalogue's database file [default: in the platform's data folder].",
)

targets_folder_option = click.option(
    "--targets-folder",
    type=click.Path(file_okay=False, path_type=Path),
    envvar="MEDIASHELF_TARGETS",
    show_envvar=True,
    help="A folder of target files of your own [default: targets/ in the data folder].",
)

target_option = click.option(
    "--target",
    "-t",
    "target_names",
    multiple=True,
    metavar="TARGET",
    help="A target that must read the disc: dos, win9x, nt4, nt5, nt6 or one of yours. Repeatable.",
)
