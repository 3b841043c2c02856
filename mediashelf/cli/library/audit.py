"""``mediashelf audit``: is every image still what it was, and sound inside?"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from mediashelf.catalogue.auditing.audit import Depth
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.library.audit_due import budget_option, due_lines, due_option
from mediashelf.cli.library.audit_json import audit_document
from mediashelf.cli.library.audit_text import say_audit
from mediashelf.cli.options import (
    catalogue_option,
    fail_on_option,
    json_option,
    moved_option,
    quiet_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, tell
from mediashelf.cli.report_file import CREATED_BY, moment_text, report_option, write_report
from mediashelf.integrity.fixity.digests import ALGORITHMS
from mediashelf.jobs.library.auditing import Audit, AuditRequest, audit_library
from mediashelf.text import printable


@click.command(
    epilog="""
\b
Examples:
  mediashelf audit
  mediashelf audit card --past-cache
  mediashelf audit disc.iso other.iso
  mediashelf audit disc.iso --depth contents
  mediashelf audit --digest sha256
  mediashelf audit --report audit.html
  mediashelf audit disc.iso --acknowledge path-table-agrees --why "mastered so"
  mediashelf audit --due 180d --budget 30m

\b
States: sound; no record (nothing to compare with; structure good); damaged
(errors inside, though the bytes are as recorded); decayed (bytes differ, size and
date do not); changed, waiting (size or date differ too; scan --accept makes it
the record); truncated; changing (written while it was read); missing; away (not
plugged in); unreadable.
"""
)
@click.argument("names", nargs=-1, metavar="[SHELF|IMAGE|FOLDER]...")
@click.option(
    "--depth",
    type=click.Choice([depth.value for depth in Depth]),
    default=Depth.DIGESTS.value,
    show_default=True,
    help="digests: the structure and every byte. contents: also files inside that have "
    "checksums of their own.",
)
@click.option(
    "--digest",
    "algorithms",
    multiple=True,
    type=click.Choice(ALGORITHMS),
    metavar="NAME",
    help="Also record this digest, in the same pass, of images whose bytes are as recorded: "
    f"{', '.join(ALGORITHMS)}. Repeatable.",
)
@moved_option("--against", "mediashelf checksums check FOLDER LIST")
@click.option(
    "--past-cache",
    is_flag=True,
    help="Read from the disk itself, not from what the system keeps in memory, where it can.",
)
@click.option(
    "--acknowledge",
    "known_rules",
    multiple=True,
    metavar="RULE",
    help="You know this finding of the named images and live with it: it no longer counts, as "
    "long as the bytes stay the same. Repeatable.",
)
@click.option("--why", metavar="TEXT", default="", help="With --acknowledge: why; it is shown.")
@click.option(
    "--take-back",
    "rules_back",
    multiple=True,
    metavar="RULE",
    help="Let an acknowledged finding count again. Repeatable.",
)
@due_option
@budget_option
@click.option("--all", "show_all", is_flag=True, help="Name every sound image too.")
@report_option("Write a page as well, for screen, phone and paper, with maps of the damage.")
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def audit(
    names: tuple[str, ...],
    depth: str,
    algorithms: tuple[str, ...],
    past_cache: bool,
    known_rules: tuple[str, ...],
    why: str,
    rules_back: tuple[str, ...],
    due: int | None,
    budget: int | None,
    show_all: bool,
    report_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Read images again and compare them with what is on record.

    Without names, all shelves. Of an image that is not on record the structure is
    checked, and whether its bytes are those of an image that is. Nothing on record
    is replaced; what is right is confirmed with today's date. Sectors of raw images
    are verified by their own EDC.

    With --depth contents, cabinets, ZIP and other archives, programs, compressed
    files, checksum lists and driver catalogs inside images are verified in place; archives inside
    archives are not followed.

    With --due, for every night: images not confirmed within AGE, as many as fit
    into --budget. What an audit found wrong is read again after the same time.
    mediashelf timer prints units for it. To look at structures alone, use
    mediashelf show; to compare a folder with a published list, mediashelf checksums.
    """
    if budget is not None and due is None:
        raise click.UsageError("--budget goes with --due AGE, such as --due 180d.")
    _refuse_words(names, known_rules, why, rules_back)
    request = AuditRequest(
        names,
        Depth(depth),
        algorithms,
        past_cache,
        due,
        budget,
        acknowledge=known_rules,
        why=why,
        take_back=rules_back,
    )
    with open_catalogue(catalogue_path) as catalogue:
        done = audit_library(catalogue, request, partial(progress, quiet=quiet))
    if not done.is_kept:
        tell("The catalogue cannot be written, so nothing was confirmed in it.")
    if as_json:
        say_json(audit_document(done, request.depth))
    else:
        if done.results or done.due is None:
            say_audit(done.results, request.depth, show_all=show_all, quiet=quiet)
        if done.unlisted:
            say()
            say_findings(done.unlisted)
        if done.due is not None and not quiet:
            for line in due_lines(done.due):
                say_wrapped(line)
    if report_path is not None:
        _report(report_path, done, request)
        if not (as_json or quiet):
            say_wrapped(f"Report: {report_path}")
    for error in done.failed:
        tell(str(error))
    if done.failed:
        raise SystemExit(max(error.exit_code for error in done.failed))
    exit_for(done.findings, fail_on)


def _refuse_words(
    names: tuple[str, ...], known_rules: tuple[str, ...], why: str, rules_back: tuple[str, ...]
) -> None:
    if (known_rules or rules_back) and not names:
        raise click.UsageError("Name the images whose findings you mean.")
    if bool(known_rules) != bool(why.strip()):
        raise click.UsageError("--acknowledge RULE and --why TEXT go together.")


def _report(path: Path, done: Audit, request: AuditRequest) -> None:
    # Loaded only for a page: templates cost as much as a short audit.
    from mediashelf.reports.audit.page import audit_html

    page = audit_html(
        done.results,
        request.depth,
        scope=", ".join(request.names) or "All shelves",
        created=moment_text(),
        created_by=CREATED_BY,
        notes=[
            *(printable(f"{each.where}: {each.message}") for each in done.unlisted),
            *(due_lines(done.due) if done.due is not None else ()),
        ],
    )
    write_report(path, page)
