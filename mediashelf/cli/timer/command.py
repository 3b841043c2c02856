"""``mediashelf timer``: what confirms a part of the library every night, started by the system.

The shape of ``--json``: ``command`` and ``version``, then for systemd ``service`` and
``timer``, for Windows ``task``, for macOS ``agent``: each with ``name``, ``file`` (where the
system looks for it, or how to call it) and ``text``.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import click

from mediashelf import __version__
from mediashelf.amounts import duration_text, parse_duration
from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.catalogue.rows import ShelfRow
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.documents import document
from mediashelf.cli.library.audit_due import duration
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.render import say_json
from mediashelf.cli.timer.night import NightlyAudit
from mediashelf.cli.timer.scheduled import (
    AGENT_FILE,
    AGENT_NAME,
    TASK_FILE,
    TASK_NAME,
    agent_text,
    task_text,
)
from mediashelf.cli.timer.units import (
    SERVICE_NAME,
    TIMER_NAME,
    UNIT_FOLDER,
    service_text,
    timer_text,
)
from mediashelf.places import catalogue_place


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
  mediashelf timer --for windows > mediashelf-audit.xml
  mediashelf timer --for macos > mediashelf.audit.plist
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
@click.option(
    "--for",
    "system",
    type=click.Choice(["systemd", "windows", "macos"]),
    default=lambda: {"win32": "windows", "darwin": "macos"}.get(sys.platform, "systemd"),
    help="What starts it: systemd, Task Scheduler or launchd [default: what this system has].",
)
@click.option(
    "--only", type=click.Choice(["service", "timer"]), help="Print one unit of systemd alone."
)
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
    system: str,
    only: str | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Print what lets the system audit what is due, every night.

    That is a service and timer of systemd, a task of Windows' Task Scheduler, or an agent
    of macOS' launchd. Nothing is installed. systemd lets the service write the catalogue
    and nothing else. With -q, or --only, there are no comments on how to install it.
    """
    if only is not None and system != "systemd":
        raise click.UsageError("--only is for systemd alone, which has two units.")
    place = catalogue_place(catalogue_path).absolute()
    with open_catalogue(place) as catalogue:
        named = list({row.id: row for row in map(catalogue.shelf, shelf_names)}.values())
        shelves: list[ShelfRow] = named or catalogue.needed_shelves("audit")
    hour, minute = time_of_day
    # SQLite writes beside the file itself, not beside a link to it.
    night = NightlyAudit(
        program=_program(),
        words=[
            *("audit", "--due", due, "--budget", budget, "--depth", depth, "--past-cache"),
            *("--catalogue", place),
            *(("--", *(row.name for row in named)) if named else ()),
        ],
        user=user or (_user_name() if system == "systemd" else ""),
        age=duration_text(parse_duration(due)),
        hour=hour,
        minute=minute,
        catalogue_folder=place.resolve().parent,
        shelves=[row.root for row in shelves],
    )
    if system == "windows":
        task = task_text(night, is_explained=not (quiet or as_json))
        _print_one("task", TASK_NAME, TASK_FILE, task, as_json)
    elif system == "macos":
        agent = agent_text(night, is_explained=not (quiet or as_json))
        _print_one("agent", AGENT_NAME, AGENT_FILE, agent, as_json)
    else:
        _print_units(night, only, as_json, quiet)


def _print_one(kind: str, name: str, file: str, text: str, as_json: bool) -> None:
    if as_json:
        say_json(document("timer", **{kind: {"name": name, "file": file, "text": text}}))
    else:
        click.echo(text, nl=False)


def _print_units(night: NightlyAudit, only: str | None, as_json: bool, quiet: bool) -> None:
    texts = {"service": service_text(night), "timer": timer_text(night)}
    if as_json:
        say_json(_document(texts))
    elif only is not None:
        click.echo(texts[only], nl=False)
    else:
        click.echo(_both(texts, quiet), nl=False)


def _program() -> list[Path | str]:
    """Return what starts this program again: the script beside this Python, else the module."""
    script = Path(sys.executable).with_name("mediashelf.exe" if os.name == "nt" else "mediashelf")
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
