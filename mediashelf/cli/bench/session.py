"""``mediashelf session``: what happened at the bench, disc by disc, and the table of it.

The shape of ``--json``: ``command`` and ``version``, then ``session``, or for the
list ``sessions``. A session has ``number``, ``name``, ``machine``, ``card``, ``made_at``
(the moment in the card's manifest), ``begun_at``, ``prepared_at``, ``discs`` and
``former``, the discs that others took the place of. A disc has ``position``, ``code``,
``label``, ``path``, ``purpose``, ``targets``, ``size``, ``digests``, ``staged_at``,
``replaced_at``, ``outcome`` (worked, failed or open) and ``notes``, oldest first: each
with ``outcome`` (worked, failed, withdrawn), ``system`` (empty for every target of the
disc), ``device`` (empty for the disc as a whole), ``text``, ``noted_at``, ``values`` and ``holds``.
``note`` adds ``disc``, ``note``, and ``next``, the position of the first open step or
null. ``report`` adds ``headline``, ``systems`` and ``rows``, each with ``about``,
``is_device``, ``position`` and ``cells``, which have ``systems``, ``outcome``, ``text``
and ``noted_at``, and ``measured``, the configurations of all sessions of the machine, each
with ``system``, ``device``, ``disc``, ``text``, ``noted`` and ``values`` (name to a list).
The system of a disc that is for none is an empty text.
"""

from __future__ import annotations

from pathlib import Path

import click

from mediashelf.catalogue.bench.session_rows import NoteResult
from mediashelf.cli.bench.session_json import note_document, session_dict
from mediashelf.cli.bench.session_report import (
    list_sessions,
    machine_option,
    report,
    session_option,
)
from mediashelf.cli.bench.session_text import say_noted
from mediashelf.cli.documents import document
from mediashelf.cli.options import (
    catalogue_option,
    json_option,
    quiet_option,
    targets_folder_option,
)
from mediashelf.cli.render import say_json, say_wrapped
from mediashelf.jobs.session_notes import NewNote, begin_session, note_disc

LONGEST_NOTE = 4000
LONGEST_DEVICE = 200
LONGEST_VALUE = 80
MOST_VALUES = 20
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


def _measured(
    context: click.Context, argument: click.Parameter, values: tuple[str, ...]
) -> tuple[tuple[str, str], ...]:
    """Understand NAME=VALUE; what the name and the value are is the person's own affair."""
    pairs: dict[str, str] = {}
    for text in values:
        name, _, value = (" ".join(part.split()) for part in text.partition("="))
        if not (name and value) or max(len(name), len(value)) > LONGEST_VALUE:
            raise click.BadParameter(
                f"{text[: 2 * LONGEST_VALUE]!r} is not NAME=VALUE with 1 to {LONGEST_VALUE} "
                'characters each, such as "frames/s=27.5".'
            )
        if name in pairs:
            raise click.BadParameter(f"{name!r} appears twice; record a second run as a note.")
        pairs[name] = value
    if len(pairs) > MOST_VALUES:
        raise click.BadParameter(f"a note has at most {MOST_VALUES} values.")
    return tuple(pairs.items())


@click.group()
def session() -> None:
    """Record what happens at the bench, and report it."""


session.add_command(list_sessions)
session.add_command(report)


@session.command(
    epilog="""
\b
Examples:
  mediashelf session note 1 worked
  mediashelf session note K7C failed stops at 43 percent
  mediashelf session note next w
  mediashelf session note 2 w -d "Larkspur video" --on win9x
  mediashelf session note 2 w driver A -d Larkspur --value "frames/s=27.5"
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
@click.option(
    "--value",
    "measured",
    multiple=True,
    callback=_measured,
    metavar="NAME=VALUE",
    help="Something measured; may be given several times. The report compares the values "
    "of all sessions of a machine.",
)
@session_option
@machine_option
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
    measured: tuple[tuple[str, str], ...],
    session_name: str | None,
    machine: str,
    catalogue_path: Path | None,
    targets_folder: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Note that a disc worked or failed; TEXT needs no quotes.

    DISC is the position, the short code, a label or a part of one, or "next": the
    first disc that is not noted on each of its systems. A note about a device says
    nothing of the disc. A later note about the same disc, device and system
    replaces an earlier one, which stays on record; undo opens the disc again.
    """
    text, device = " ".join(" ".join(words).split()), " ".join(device.split())
    if len(text) > LONGEST_NOTE or len(device) > LONGEST_DEVICE:
        raise click.UsageError(
            f"A note has at most {LONGEST_NOTE:,} characters, the name of a device "
            f"{LONGEST_DEVICE}; shorten it."
        )
    noted = note_disc(
        wanted,
        NewNote(outcome, text, device, system, measured),
        session_name=session_name,
        machine=machine,
        catalogue_path=catalogue_path,
        targets_folder=targets_folder,
    )
    if as_json:
        say_json(note_document(noted.session, noted.disc, noted.note))
    elif not quiet:
        say_noted(noted.session, noted.disc, noted.note)


@session.command(
    epilog="""
\b
Examples:
  mediashelf session begin
  mediashelf session begin --session "Tide-table kiosk" --machine "Kiosk PC 2"
"""
)
@session_option
@click.option(
    "--machine", default="", metavar="NAME", help="The machine's name [default: as before]."
)
@catalogue_option
@json_option
@quiet_option
def begin(
    session_name: str | None,
    machine: str,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Start a session again with the same card and discs, for the next machine of its kind.

    Preparing a card starts a session; this is for using one card again without
    preparing it. Earlier notes stay with the earlier session.
    """
    begun = begin_session(session_name, catalogue_path, machine=" ".join(machine.split()))
    if as_json:
        say_json(document("session begin", session=session_dict(begun)))
    elif not quiet:
        where = f", for {begun.machine}" if begun.machine else ""
        say_wrapped(f"{begun.name}: started again as session {begun.id}{where}, without notes.")
