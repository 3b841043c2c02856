"""``mediashelf session``: what happened at the bench, disc by disc, and the table of it.

The shape of ``--json``: ``command`` and ``version``, then ``session``, or for the
list ``sessions``. A session has ``number``, ``name``, ``machine``, ``card``, ``made_at``
(the moment in the card's manifest), ``begun_at``, ``prepared_at``, ``discs`` and
``former``, the discs that others took the place of. A disc has ``position``, ``code``,
``label``, ``path``, ``purpose``, ``targets``, ``size``, ``digests``, ``staged_at``,
``replaced_at``, ``outcome`` (worked, failed or open) and ``notes``, oldest first: each
with ``outcome`` (worked, failed, withdrawn), ``system`` (empty for every target of the
disc), ``device`` (empty for the disc as a whole), ``text``, ``noted_at`` and ``holds``.
``note`` adds ``disc``, ``note``, and ``next``, the position of the first open step or
null. ``report`` adds ``headline``, ``systems`` and ``rows``, each with ``about``,
``is_device``, ``position`` and ``cells``, which have ``systems``, ``outcome``, ``text``
and ``noted_at``.
"""

from __future__ import annotations

from pathlib import Path

import click

from mediashelf.catalogue.bench.session_names import named_disc
from mediashelf.catalogue.bench.session_reading import session_of, sessions
from mediashelf.catalogue.bench.session_rows import NoteResult
from mediashelf.catalogue.bench.session_store import add_note, begin_again
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.bench.session_json import note_document, report_document, session_dict
from mediashelf.cli.bench.session_text import say_noted, say_report, say_sessions
from mediashelf.cli.documents import document
from mediashelf.cli.options import (
    catalogue_option,
    json_option,
    quiet_option,
    targets_folder_option,
)
from mediashelf.cli.render import say_json, say_wrapped
from mediashelf.cli.report_file import CREATED_BY, checked_page_path, write_report
from mediashelf.jobs.session_journal import find_session, is_card
from mediashelf.readability.targets import load_targets, pick_targets

session_option = click.option(
    "-s",
    "--session",
    "session_name",
    metavar="NAME|CARD",
    help="Which session: its name, a part of it, its number, or the card's folder "
    "[default: the one prepared last].",
)

LONGEST_NOTE = 4000
LONGEST_DEVICE = 200
"""Characters; longer ones were hardly meant, and nobody could read the report."""

_WORDS = {
    NoteResult.WORKED: ("worked", "ok", "yes", "good", "+"),
    NoteResult.FAILED: ("failed", "no", "bad"),
    NoteResult.WITHDRAWN: ("undo", "withdrawn"),
}


def _outcome(context: click.Context, argument: click.Parameter, value: str) -> NoteResult:
    """Understand worked, failed and undo, also cut short."""
    word = value.strip().lower()
    for outcome, words in _WORDS.items():
        if word in words or (word and words[0].startswith(word)):
            return outcome
    raise click.BadParameter(f"{value!r} is not worked, failed or undo (w, f, u).")


@click.group()
def session() -> None:
    """Record what happens at the bench, and report it."""


@session.command(
    epilog="""
\b
Examples:
  mediashelf session note 1 worked
  mediashelf session note K7C failed stops at 43 percent
  mediashelf session note next w
  mediashelf session note 2 w -d "Larkspur video" --on win9x
  mediashelf session note 2 undo

\b
Short forms: w, ok, yes; f, no; u.
"""
)
@click.argument("wanted", metavar="DISC")
@click.argument("outcome", callback=_outcome, metavar="worked|failed|undo")
@click.argument("words", nargs=-1, metavar="[TEXT]...")
@click.option(
    "-d", "--device", default="", help="The device it is about [default: the disc as a whole]."
)
@click.option(
    "--on",
    "system",
    metavar="SYSTEM",
    help="The system it applies to [default: all that the disc is for].",
)
@session_option
@catalogue_option
@targets_folder_option
@json_option
@quiet_option
def note(
    wanted: str,
    outcome: NoteResult,
    words: tuple[str, ...],
    device: str,
    system: str | None,
    session_name: str | None,
    catalogue_path: Path | None,
    targets_folder: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Note that a disc worked or failed; TEXT needs no quotes.

    DISC is the position, the short code, a label or a part of one, or "next": the
    first disc without a note. A later note about the same disc, device and system
    replaces an earlier one, which stays on record; undo opens the disc again.
    """
    text, device = " ".join(" ".join(words).split()), " ".join(device.split())
    if len(text) > LONGEST_NOTE or len(device) > LONGEST_DEVICE:
        raise click.UsageError(
            f"A note has at most {LONGEST_NOTE:,} characters, the name of a device "
            f"{LONGEST_DEVICE}; shorten it."
        )
    if system is not None:
        (target,) = pick_targets([system], load_targets(targets_folder))
        system = target.name
    with open_catalogue(catalogue_path, create=is_card(session_name)) as catalogue:
        chosen = find_session(catalogue, session_name, may_record=True)
        disc = named_disc(chosen, wanted)
        added = add_note(
            catalogue,
            disc,
            outcome,
            system=system or "",
            device=device,
            text=text,
        )
        chosen = session_of(catalogue, chosen.id)
    disc = next(one for one in chosen.steps if one.id == disc.id)
    if as_json:
        say_json(note_document(chosen, disc, added))
    elif not quiet:
        say_noted(chosen, disc, added)


@session.command(
    name="list",
    epilog="""
\b
Examples:
  mediashelf session list
  mediashelf session list --json
""",
)
@catalogue_option
@json_option
@quiet_option
def list_sessions(catalogue_path: Path | None, as_json: bool, quiet: bool) -> None:
    """List the sessions on record, the one prepared last first."""
    with open_catalogue(catalogue_path) as catalogue:
        known = sessions(catalogue)
    if as_json:
        say_json(document("session list", sessions=[session_dict(one) for one in known]))
    else:
        say_sessions(known, quiet=quiet)


@session.command(
    epilog="""
\b
Examples:
  mediashelf session report
  mediashelf session report --html kiosk.html
  mediashelf session report --session /media/card --json
"""
)
@session_option
@click.option(
    "--html",
    "page_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.html",
    callback=checked_page_path,
    help="Write a page as well, to keep or to publish; it contains no local paths.",
)
@catalogue_option
@json_option
@quiet_option
def report(
    session_name: str | None,
    page_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Show the results of a session: each device or disc, on each system, and whether it worked.

    Failed discs are an answer, not an error: the exit code is 0. With -q, only the
    table.
    """
    with open_catalogue(catalogue_path) as catalogue:
        chosen = find_session(catalogue, session_name)
    # Loaded only here: templates cost as much as a note.
    from mediashelf.reports.bench.session_report import session_html, session_report

    content = session_report(chosen, created_by=CREATED_BY)
    if as_json:
        say_json(report_document(chosen, content))
    else:
        say_report(content, quiet=quiet)
    if page_path is not None:
        write_report(page_path, session_html(chosen, created_by=CREATED_BY))
        if not (as_json or quiet):
            say_wrapped(f"Report: {page_path}")


@session.command(
    epilog="""
\b
Examples:
  mediashelf session begin
  mediashelf session begin --session "Tide-table kiosk"
"""
)
@session_option
@catalogue_option
@json_option
@quiet_option
def begin(
    session_name: str | None, catalogue_path: Path | None, as_json: bool, quiet: bool
) -> None:
    """Start a session again with the same card and discs, for the next machine of its kind.

    Preparing a card starts a session; this is for using one card again without
    preparing it. Earlier notes stay with the earlier session.
    """
    with open_catalogue(catalogue_path) as catalogue:
        begun = begin_again(catalogue, find_session(catalogue, session_name))
    if as_json:
        say_json(document("session begin", session=session_dict(begun)))
    elif not quiet:
        say_wrapped(f"{begun.name}: started again as session {begun.id}, without notes.")
