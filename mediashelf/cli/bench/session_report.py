"""``mediashelf session list`` and ``report``; their JSON is described in ``session.py``."""

from __future__ import annotations

from pathlib import Path

import click

from mediashelf.cli.bench.session_json import report_document, session_dict
from mediashelf.cli.bench.session_text import say_report, say_sessions
from mediashelf.cli.documents import document
from mediashelf.cli.options import catalogue_option, json_option, quiet_option
from mediashelf.cli.render import say_json, say_wrapped
from mediashelf.cli.report_file import CREATED_BY, checked_page_path, write_report
from mediashelf.files import refuse_missing_folder, write_whole
from mediashelf.jobs import session_notes

session_option = click.option(
    "-s",
    "--session",
    "session_name",
    metavar="NAME|CARD",
    help="Which session: its name, a part of it, its number, or the card's folder "
    "[default: the one prepared last].",
)

machine_option = click.option(
    "--machine",
    "machine",
    default="",
    metavar="TEXT",
    help="Only sessions of the machine with this name, or a part of it.",
)


@click.command(
    name="list",
    epilog="""
\b
Examples:
  mediashelf session list
  mediashelf session list "no sound" --machine kiosk
  mediashelf session list --device "Larkspur video" --json
""",
)
@click.argument("words", nargs=-1, metavar="[TEXT]...")
@machine_option
@click.option("--device", default="", metavar="TEXT", help="Only with a note about this device.")
@click.option("--disc", default="", metavar="TEXT", help="Only with this disc.")
@catalogue_option
@json_option
@quiet_option
def list_sessions(
    words: tuple[str, ...],
    machine: str,
    device: str,
    disc: str,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """List the sessions on record, the one prepared last first.

    TEXT is looked for in names, discs and notes; parts of words do, letter case aside.
    """
    wanted = {"machine": machine, "device": device, "disc": disc, "text": " ".join(words)}
    found = session_notes.find_sessions(catalogue_path, **wanted)
    if as_json:
        say_json(document("session list", sessions=[session_dict(one) for one in found]))
        return
    nothing = "No session has been recorded yet; mediashelf prepare records one."
    if any(wanted.values()):
        nothing = "No session matches these filters."
    say_sessions(found, quiet=quiet, nothing=nothing)


def _checked_csv_path(
    context: click.Context, option: click.Parameter, path: Path | None
) -> Path | None:
    if path is not None and path.suffix.lower() != ".csv":
        raise click.BadParameter(f"{path} does not end in .csv")
    if path is not None:
        refuse_missing_folder(path)
    return path


@click.command(
    epilog="""
\b
Examples:
  mediashelf session report
  mediashelf session report --html kiosk.html --csv kiosk.csv
  mediashelf session report --machine "kiosk PC 2" --json
"""
)
@session_option
@machine_option
@click.option(
    "--html",
    "page_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.html",
    callback=checked_page_path,
    help="Write a page as well, to keep or to publish; it contains no local paths.",
)
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.csv",
    callback=_checked_csv_path,
    help="Write the values of all sessions of the machine as well, one line a value.",
)
@catalogue_option
@json_option
@quiet_option
def report(
    session_name: str | None,
    machine: str,
    page_path: Path | None,
    csv_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Show the results of a session: each device or disc, on each system, and whether it worked.

    A disc worked when each system that it is for has its note. Failed discs are an
    answer, not an error: the exit code is 0. With -q, only the tables.
    """
    chosen, of_its_machine = session_notes.session_to_report(
        session_name, catalogue_path, machine=machine
    )
    # Loaded only here: templates cost as much as a note.
    from mediashelf.reports.bench.measured import measured_csv
    from mediashelf.reports.bench.session_report import session_html, session_report

    content = session_report(chosen, created_by=CREATED_BY, of_machine=of_its_machine)
    if as_json:
        say_json(report_document(chosen, content))
    else:
        say_report(content, quiet=quiet)
    if page_path is not None:
        write_report(page_path, session_html(content))
    if csv_path is not None:
        data = measured_csv(of_its_machine).encode("utf-8", "backslashreplace")
        write_whole(csv_path, data)
    for path in (page_path, csv_path):
        if path is not None and not (as_json or quiet):
            say_wrapped(f"Report: {path}")
