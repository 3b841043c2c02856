"""``mediashelf timer``: units for systemd that confirm a part of the library every night.

The shape of ``--json``: ``command`` and ``version``, then ``service`` and ``timer``, each
with ``name``, ``file`` (where systemd looks for it) and ``text``.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import click

from mediashelf import __version__
from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.catalogue.rows import ShelfRow
from mediashelf.catalogue.store import catalogue_place, open_catalogue
from mediashelf.cli.documents import document
from mediashelf.cli.library.audit_due import duration
from mediashelf.cli.library.timer_units import (
    SERVICE_NAME,
    TIMER_NAME,
    UNIT_FOLDER,
    NightlyAudit,
    service_text,
    timer_text,
)
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.render import say_json
from mediashelf.errors import CatalogueError
from mediashelf.text import duration_text, parse_duration


def _time_of_day(context: click.Context, option: click.Parameter, value: str) -> tuple[int, int]:
    """Understand ``3:00`` or ``23:45``."""
    match = re.fullmatch(r"([01]?[0-9]|2[0-3]):([0-5][0-9])", value.strip(), re.ASCII)
    if match is None:
        raise click.BadParameter(f"{value!r} is not a time of day; write it like 03:00.")
    return int(match.group(1)), int(match.group(2))


def _span(context: click.Context, option: click.Parameter, value: str) -> str:
    """Return a span of time as it was written, once it is understood."""
    duration(context, option, value)
    return value.strip()


@click.command(
    epilog="""
\b
Examples:
  mediashelf timer
  mediashelf timer --nightly 03:00 --due 180d --budget 30m
  mediashelf timer home --only service > mediashelf-audit.service
  mediashelf timer --only timer > mediashelf-audit.timer
"""
)
@click.argument("shelf_names", nargs=-1, metavar="[SHELF]...")
@click.option(
    "--nightly",
    "time_of_day",
    default="03:00",
    show_default=True,
    callback=_time_of_day,
    metavar="HH:MM",
    help="Start time (local).",
)
@click.option(
    "--due",
    default="180d",
    show_default=True,
    callback=_span,
    metavar="AGE",
    help="As for mediashelf audit: images not confirmed within AGE.",
)
@click.option(
    "--budget",
    default="30m",
    show_default=True,
    callback=_span,
    metavar="TIME",
    help="As for mediashelf audit: the time for one night.",
)
@click.option(
    "--depth",
    type=click.Choice([depth.value for depth in Depth]),
    default=Depth.DIGESTS.value,
    show_default=True,
    help="As for mediashelf audit.",
)
@click.option("--user", metavar="NAME", help="Who it runs as [default: you].")
@click.option("--only", type=click.Choice(["service", "timer"]), help="Print one unit alone.")
@catalogue_option
@json_option
@quiet_option
def timer(
    shelf_names: tuple[str, ...],
    time_of_day: tuple[int, int],
    due: str,
    budget: str,
    depth: str,
    user: str | None,
    only: str | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Print a systemd service and timer that audit what is due, every night.

    Nothing is installed. The service may write the catalogue and nothing else;
    shelves are read-only to it. With -q, or --only, there are no comments on how to
    install it.
    """
    place = catalogue_place(catalogue_path).absolute()
    with open_catalogue(place) as catalogue:
        named = list({row.id: row for row in map(catalogue.shelf, shelf_names)}.values())
        shelves: list[ShelfRow] = named or catalogue.shelves()
    if not shelves:
        raise CatalogueError(
            f"{place}: has no shelf to audit; register one with: mediashelf shelf add FOLDER"
        )
    hour, minute = time_of_day
    # SQLite writes beside the file itself, not beside a link to it.
    night = NightlyAudit(
        program=_program(),
        words=[
            *("audit", "--due", due, "--budget", budget, "--depth", depth, "--past-cache"),
            *("--catalogue", place),
            *(("--", *(row.name for row in named)) if named else ()),
        ],
        user=user or _user_name(),
        age=duration_text(parse_duration(due)),
        hour=hour,
        minute=minute,
        catalogue_folder=place.resolve().parent,
        shelves=[row.root for row in shelves],
    )
    texts = {"service": service_text(night), "timer": timer_text(night)}
    if as_json:
        say_json(_document(texts))
    elif only is not None:
        click.echo(texts[only], nl=False)
    else:
        click.echo(_both(texts, quiet), nl=False)


def _program() -> list[Path | str]:
    """Return what starts this program again: the script beside this Python, else the module."""
    script = Path(sys.executable).with_name("mediashelf")
    if script.is_file():
        return [script]
    return [Path(sys.executable), "-m", "mediashelf"]


def _user_name() -> str:
    if os.name != "posix":
        raise click.UsageError("Say with --user who it is to run as on the machine with systemd.")
    import pwd

    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


_HOW = f"""\
# Two unit files for systemd, made by mediashelf {__version__}; nothing is installed.
# Save them as root, each alone (mediashelf timer --only service, --only timer):
#   {UNIT_FOLDER}/{SERVICE_NAME}
#   {UNIT_FOLDER}/{TIMER_NAME}
# Then:
#   systemctl daemon-reload
#   systemctl enable --now {TIMER_NAME}
# Try it at once, and read what it said:
#   systemctl start {SERVICE_NAME}
#   journalctl -u {SERVICE_NAME}

"""


def _both(texts: dict[str, str], quiet: bool) -> str:
    return (
        "" if quiet else _HOW
    ) + f"# ---- {SERVICE_NAME}\n{texts['service']}\n# ---- {TIMER_NAME}\n{texts['timer']}"


def _document(texts: dict[str, str]) -> dict[str, object]:
    names = {"service": SERVICE_NAME, "timer": TIMER_NAME}
    return document(
        "timer",
        **{
            kind: {"name": name, "file": f"{UNIT_FOLDER}/{name}", "text": texts[kind]}
            for kind, name in names.items()
        },
    )
