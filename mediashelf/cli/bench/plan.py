"""``mediashelf plan``: begin a session plan, and see what it comes to.

The shape of ``plan show --json``: ``command`` and ``version``, then ``plan``,
``session`` (``name``, ``machine``), ``machine`` (what the plan says of it: sizes in bytes,
null where nothing is said, and ``parts``), ``drive`` (``vendor`` and ``product``),
``systems`` in the order of installation, ``steps`` (``do``, ``system``,
``position`` of the disc that it is at or 0, ``is_before``, ``partitions``), ``discs``, one
object each with ``position``,
``from``, ``label``, ``size``, ``track`` (of a raw image, else null), ``padding`` (bytes of
zeros), ``boot`` (objects with ``method`` and ``platform``),
``purpose``, ``targets`` (none: for no system), ``passed``, ``erases``, ``presentation``,
``after`` and ``repeats``, and ``findings``, each
with all its fields and ``disc``, the position that it is about, null for the machine.

That of ``plan new --json``: ``command`` and ``version``, then ``output`` (the file, or
null), ``text`` (the plan), and ``discs``, one object each with ``image``, ``label``,
``size``, ``is_raw`` and ``problem``, why it is there as a comment only, or empty.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click

from mediashelf.cli.bench.plan_json import checked_dict, findings_by_disc, machine_option
from mediashelf.cli.bench.prepare_text import say_plan
from mediashelf.cli.documents import chosen, document
from mediashelf.cli.options import (
    catalogue_option,
    fail_on_option,
    json_option,
    quiet_option,
    target_option,
    targets_folder_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say_json, tell
from mediashelf.jobs.session_drafts import begin_plan
from mediashelf.jobs.session_prepare import CheckedPlan, Places, examine_plan
from mediashelf.sessions.discs.glance import boot_ways
from mediashelf.sessions.plans.draft import DraftDisc
from mediashelf.text import count_text


@click.group()
def plan() -> None:
    """Begin a session plan, or see its discs and findings."""


@plan.command(
    epilog="""
\b
Examples:
  mediashelf plan show session.toml
  mediashelf plan show session.toml --machine "Kiosk PC 2" --json
"""
)
@click.argument("plan_path", type=click.Path(path_type=Path), metavar="PLAN")
@machine_option
@catalogue_option
@targets_folder_option
@json_option
@quiet_option
@fail_on_option
def show(
    plan_path: Path,
    machine: str,
    catalogue_path: Path | None,
    targets_folder: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Find and check a plan's discs, and print the session as a table; no card is needed.

    Everything that prepare would find about the discs and the machine is found
    here as well. Images with a digest on record are read to their end.
    """
    places = Places(catalogue_path, targets_folder)
    checked = examine_plan(
        plan_path, places, machine=machine, progress=partial(progress, quiet=quiet)
    )
    if as_json:
        say_json(_document(plan_path, checked))
    else:
        say_plan(checked.plan, checked.discs, checked.about_machine, quiet=quiet)
    exit_for(checked.findings, fail_on)


@plan.command(
    epilog="""
\b
Examples:
  mediashelf plan new -t win9x -o session.toml
  mediashelf plan new library -t dos -t win9x --name "Kiosk" -o session.toml
"""
)
@click.argument("shelf", required=False)
@target_option
@click.option("--name", default="Session", show_default=True, help="The session's name.")
@click.option("--machine", default="", help="The machine to be set up.")
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file to write; it must not exist [default: standard output].",
)
@catalogue_option
@targets_folder_option
@json_option
@quiet_option
def new(
    shelf: str | None,
    target_names: Sequence[str],
    name: str,
    machine: str,
    output: Path | None,
    catalogue_path: Path | None,
    targets_folder: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a commented plan with every image of a SHELF, or of all shelves, to be edited.

    Discs that boot come first. Images that are missing, damaged, or copies of
    others are there as comments with the reason; raw ones are named by their sheet.
    """
    if not target_names:
        raise click.UsageError(
            "Name the systems that must read the discs with --target, such as win9x."
        )
    text, discs = begin_plan(
        shelf,
        output,
        name=name,
        machine=machine,
        target_names=target_names,
        catalogue_path=catalogue_path,
        targets_folder=targets_folder,
    )
    if as_json:
        say_json(_new_document(output, text, discs))
    elif output is None:
        click.echo(text, nl=False)
    elif not quiet:
        left_out = sum(bool(disc.problem) for disc in discs)
        tell(
            f"{output}: {count_text(len(discs) - left_out, 'disc')}"
            + (f", {left_out} more as comments" if left_out else "")
        )


def _new_document(output: Path | None, text: str, discs: Sequence[DraftDisc]) -> dict[str, Any]:
    rows = [
        {"image": str(disc.path), **chosen(disc, "label", "size", "is_raw", "problem")}
        for disc in discs
    ]
    return document("plan new", output=output, text=text, discs=rows)


def _document(plan_path: Path, checked: CheckedPlan) -> dict[str, Any]:
    return document(
        "plan show",
        plan=plan_path,
        session={"name": checked.plan.name, "machine": checked.plan.machine.name},
        machine=checked.plan.machine,
        drive=dict(zip(("vendor", "product"), checked.plan.drive, strict=True)),
        systems=checked.plan.systems,
        discs=[
            {
                **checked_dict(disc),
                "boot": boot_ways(disc.source.facts),
                "purpose": disc.planned.purpose,
                "after": disc.planned.after_positions,
                "repeats": disc.repeats,
            }
            for disc in checked.discs
        ],
        steps=[
            chosen(step, "do", "system", "machine", "position", "is_before", "partitions")
            for step in checked.plan.steps
        ],
        findings=findings_by_disc(checked.discs, checked.about_machine),
    )
