"""``mediashelf plan``: begin a session plan, and see what it comes to.

The shape of ``plan show --json``: ``command`` and ``version``, then ``plan``,
``session`` (``name``, ``machine``), ``discs``, one object each with ``position``,
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

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import click

from mediashelf.catalogue.images import facts_of
from mediashelf.catalogue.rows import ImageRow, Presence
from mediashelf.catalogue.store import Catalogue, open_catalogue
from mediashelf.cli.bench.plan_json import checked_dict, findings_by_disc
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
from mediashelf.files import write_whole
from mediashelf.findings import Finding
from mediashelf.jobs.session_drivers import driver_checks
from mediashelf.jobs.session_library import files_of_sheets, open_library
from mediashelf.jobs.session_recipes import recipe_planner
from mediashelf.readability.targets import load_targets, pick_targets
from mediashelf.sessions.discs.glance import boot_ways
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.discs.ways_out import padding_of
from mediashelf.sessions.plans.draft import DraftDisc, draft_plan
from mediashelf.sessions.plans.session_plan import SessionPlan, load_plan
from mediashelf.sessions.prepare import look_at_plan
from mediashelf.text import count_text


@click.group()
def plan() -> None:
    """Begin a session plan, or see its discs and findings."""


@plan.command(
    epilog="""
\b
Examples:
  mediashelf plan show session.toml
  mediashelf plan show session.toml --json
"""
)
@click.argument("plan_path", type=click.Path(path_type=Path), metavar="PLAN")
@catalogue_option
@targets_folder_option
@json_option
@quiet_option
@fail_on_option
def show(
    plan_path: Path,
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
    content = load_plan(plan_path)
    targets = load_targets(targets_folder)
    with (
        open_library(catalogue_path) as library,
        progress("checking", quiet=quiet) as on_bytes,
    ):
        discs, about_machine = look_at_plan(
            content,
            library,
            targets,
            plan_recipe=recipe_planner(targets, content.targets),
            more_checks=driver_checks(targets),
            on_bytes=on_bytes,
        )
    if as_json:
        say_json(_document(plan_path, content, discs, about_machine))
    else:
        say_plan(content, discs, about_machine, quiet=quiet)
    exit_for([*(one for disc in discs for one in disc.findings), *about_machine], fail_on)


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
    pick_targets(target_names, load_targets(targets_folder))
    folder = (output.parent if output is not None else Path()).absolute()
    with open_catalogue(catalogue_path) as catalogue:
        discs = list(_drafts(catalogue, catalogue.images(shelf=shelf)))
    text = draft_plan(discs, folder, name=name, machine=machine, targets=target_names)
    if output is not None:
        write_whole(output, text.encode("utf-8"), replace=False)
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


def _drafts(catalogue: Catalogue, rows: Sequence[ImageRow]) -> Iterator[DraftDisc]:
    first_of: dict[str, ImageRow] = {}
    sheets = files_of_sheets(rows)
    for row in rows:
        facts = facts_of(catalogue.db, row.id)
        boot = boot_ways(facts) if facts is not None else ()
        problem = _problem(row)
        digest = row.digests.get("xxh3_128", "")
        if not problem and row.file in sheets:
            problem = f"a part of {sheets[row.file]}"
        if not problem and digest:
            first = first_of.setdefault(digest, row)
            problem = f"the same bytes as {first.path}" if first is not row else ""
        is_raw = row.looks_raw or row.is_sheet
        # What a raw image is too small for shows when it is converted.
        must_pad = not is_raw and padding_of(row.size) > 0
        yield DraftDisc(row.file, row.label, row.size, boot, problem, is_raw, must_pad)


def _problem(row: ImageRow) -> str:
    if row.presence is not Presence.HERE:
        return f"{row.presence.value} when last scanned"
    if row.problem:
        return row.problem
    if row.looks_raw or row.is_sheet:
        return ""  # every sector is judged when it is converted
    return f"{count_text(row.errors, 'error')} inside; see mediashelf audit" if row.errors else ""


def _new_document(output: Path | None, text: str, discs: Sequence[DraftDisc]) -> dict[str, Any]:
    rows = [
        {"image": str(disc.path), **chosen(disc, "label", "size", "is_raw", "problem")}
        for disc in discs
    ]
    return document("plan new", output=output, text=text, discs=rows)


def _document(
    plan_path: Path,
    content: SessionPlan,
    discs: Sequence[CheckedDisc],
    about_machine: Sequence[Finding],
) -> dict[str, Any]:
    return document(
        "plan show",
        plan=plan_path,
        session={"name": content.name, "machine": content.machine.name},
        discs=[
            {
                **checked_dict(disc),
                "boot": boot_ways(disc.source.facts),
                "purpose": disc.planned.purpose,
                "after": disc.planned.after_positions,
                "repeats": disc.repeats,
            }
            for disc in discs
        ],
        findings=findings_by_disc(discs, about_machine),
    )
