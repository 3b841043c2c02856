"""``mediashelf prepare``: check a session's discs and put them on a card.

The shape of ``--json``: ``command`` and ``version``, then ``plan``, ``card``,
``is_prepared`` (the card is ready), ``is_dry_run``, ``session`` (``name``,
``machine``), ``write_size`` (bytes that are new on the card), ``seconds``
(estimate), ``discs``, ``earlier_files`` and ``tidied`` (paths on the card), and
``findings``. A disc has ``position``, ``code``, ``path``, ``label``, ``size``, ``from``,
``action`` (keep, rename, copy, convert, build, repeat, nothing), ``track`` (of a raw
image, else null), ``padding`` (bytes of zeros), ``targets``, ``passed``, ``erases``,
``presentation``, and once it
is on the card ``digests`` and ``confirmed``, null before. A finding has all its
fields and ``disc``, the position that it is about, null for card and machine.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.cli.bench.plan_json import checked_dict, findings_by_disc, machine_option
from mediashelf.cli.bench.prepare_text import say_checked, say_prepared
from mediashelf.cli.documents import chosen, document, plain
from mediashelf.cli.main import INTERRUPTED
from mediashelf.cli.options import (
    catalogue_option,
    fail_on_option,
    json_option,
    quiet_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_json, tell
from mediashelf.cli.report_file import moment_text
from mediashelf.errors import BlockedError
from mediashelf.jobs.session_prepare import Places, PrepareOptions, prepare_card
from mediashelf.sessions.card_space import copying_seconds
from mediashelf.sessions.cards.placed import PlacedDisc
from mediashelf.sessions.manifests.versions import CURRENT
from mediashelf.sessions.prepare import CheckedSession, PreparedCard


@click.command(
    epilog="""
\b
Examples:
  mediashelf prepare session.toml --to /media/card
  mediashelf prepare session.toml --to /media/card --dry-run
  mediashelf prepare session.toml --to /media/card --tidy
\b
A plan:
  name = "Tide-table kiosk"
  targets = ["win9x"]
  [[disc]]
  image = "library/system.iso"
  purpose = "Install the system"
  [[disc]]
  recipe = "driver-disc.toml"
\b
Exit code 12: errors block the session, and nothing was copied.
"""
)
@click.argument("plan_path", type=click.Path(path_type=Path), metavar="PLAN")
@click.option(
    "--to",
    "card",
    type=click.Path(path_type=Path),
    required=True,
    metavar="CARD",
    help="The card's folder; it must exist.",
)
@click.option("--dry-run", is_flag=True, help="Check everything and change nothing.")
@click.option("--anyway", is_flag=True, help="Go on despite errors; the manifest records them.")
@click.option(
    "--tidy",
    is_flag=True,
    help="First remove files of earlier sessions that this one does not use.",
)
@click.option(
    "--pad",
    is_flag=True,
    help="Add zeros, on the card only, to images that the emulator would refuse or cut.",
)
@click.option(
    "--manifest-version",
    type=click.IntRange(1, CURRENT),
    default=CURRENT,
    metavar="N",
    help=f"The form of manifest.json, for a board with an older emulator [default: {CURRENT}].",
)
@machine_option
@catalogue_option
@targets_folder_option
@json_option
@quiet_option
@fail_on_option
def prepare(
    plan_path: Path,
    card: Path,
    dry_run: bool,
    anyway: bool,
    tidy: bool,
    pad: bool,
    manifest_version: int,
    machine: str,
    catalogue_path: Path | None,
    targets_folder: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Check all discs of a session plan and put them on the emulator's card.

    Each disc is found (an image, words in the catalogue, or a recipe to build),
    checked for damage, for its systems and for the emulator, and only then
    copied; a raw image is converted on the way, if no sector is lost. Every copy
    is read back from the card and its digest compared. What is on the card already
    and right is kept; files that mediashelf did not write are
    never touched. At the end the card holds
    the images, manifest.json and a run sheet for the bench. Stopped or unplugged,
    the same command continues where it stopped. The session is recorded in the catalogue,
    for mediashelf session note.
    """
    checked: list[CheckedSession] = []

    def on_checked(session: CheckedSession) -> None:
        checked.append(session)
        if not as_json:
            say_checked(session, is_dry_run=dry_run, quiet=quiet)

    try:
        prepared, problem = prepare_card(
            plan_path,
            card,
            Places(catalogue_path, targets_folder),
            PrepareOptions(dry_run, anyway, tidy, pad, machine, manifest_version),
            created=moment_text(),
            on_checked=on_checked,
            progress=partial(progress, quiet=quiet),
        )
    except BlockedError:
        if as_json and checked:
            say_json(_document(plan_path, checked[0], None, dry_run))
        raise
    except KeyboardInterrupt:
        if checked and checked[0].held.is_changed:
            raise
        tell("\nStopped; nothing was written.")
        raise SystemExit(INTERRUPTED) from None
    if problem:
        tell(problem)
    if as_json:
        say_json(_document(plan_path, checked[0], prepared, dry_run))
    elif prepared is not None:
        say_prepared(prepared, quiet=quiet)
    exit_for(checked[0].all_findings, fail_on)


def _document(
    plan_path: Path, session: CheckedSession, prepared: PreparedCard | None, is_dry_run: bool
) -> dict[str, Any]:
    arrangement = session.arrangement
    return document(
        "prepare",
        plan=plan_path,
        card=session.card,
        is_prepared=prepared is not None,
        is_dry_run=is_dry_run,
        session={"name": session.plan.name, "machine": session.plan.machine.name},
        write_size=arrangement.write_size,
        seconds=copying_seconds(arrangement.write_size),
        discs=[_disc(one, prepared is not None) for one in (prepared or arrangement).discs],
        earlier_files=[file.path for file in arrangement.obsolete],
        tidied=[file.path for file in prepared.tidied] if prepared else [],
        findings=findings_by_disc(session.discs, session.findings),
    )


def _disc(placed: PlacedDisc, is_staged: bool) -> dict[str, Any]:
    return {
        **checked_dict(placed.disc),
        **chosen(placed, "code", "path", "action"),
        "digests": plain(placed.file.digests) if is_staged else None,
        "confirmed": placed.confirmed if is_staged else None,
    }
