"""``mediashelf audit``: is every image still what it was, and sound inside?"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import click
from click.core import ParameterSource

from mediashelf.catalogue.audit import AuditResult, Depth, run_audit
from mediashelf.catalogue.audit_names import plan_audit
from mediashelf.catalogue.store import open_catalogue
from mediashelf.cli.audit_json import audit_document
from mediashelf.cli.checksums import check_folder
from mediashelf.cli.options import catalogue_option, fail_on_option, json_option, quiet_option
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, table, tell
from mediashelf.cli.report_file import CREATED_BY, moment_text, report_option, write_report
from mediashelf.findings import Severity
from mediashelf.integrity.fixity import WORST_FIRST, State
from mediashelf.reports.audit_words import summary_lines
from mediashelf.text import count_text, size_text

SOUND_SHOWN = 20  # with more sound images than this, only their number is shown
_ENTRIES_SHOWN = 5
_PLACES_SHOWN = 5  # of one rule in one image; the rest are counted


@click.command(
    epilog="""
\b
Examples:
  mediashelf audit
  mediashelf audit card --past-cache
  mediashelf audit disc.iso other.iso
  mediashelf audit --depth structure --json
  mediashelf audit disc.iso --depth contents
  mediashelf audit ~/isos --against SHA256SUMS
  mediashelf audit --report audit.html

\b
States: sound; damaged (errors inside, though the bytes are as recorded);
decayed (bytes differ, size and date do not); changed (size or date differ too);
truncated; missing; away (not plugged in); unreadable.
"""
)
@click.argument("names", nargs=-1, metavar="[SHELF|IMAGE|FOLDER]...")
@click.option(
    "--depth",
    type=click.Choice([depth.value for depth in Depth]),
    default=Depth.DIGESTS.value,
    show_default=True,
    help="structure: volumes and directories only. digests: every byte too. contents: also "
    "files inside that carry their own checks.",
)
@click.option(
    "--against",
    "lists",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="LIST",
    help="Compare one folder with a checksum list instead. Repeatable.",
)
@click.option(
    "--past-cache",
    is_flag=True,
    help="Read from the disk itself, not from what the system keeps in memory, where it can.",
)
@click.option("--all", "show_all", is_flag=True, help="Name every sound image too.")
@report_option("Write a page as well, for screen, phone and paper, with maps of the damage.")
@catalogue_option
@json_option
@quiet_option
@fail_on_option
@click.pass_context
def audit(
    context: click.Context,
    names: tuple[str, ...],
    depth: str,
    lists: tuple[Path, ...],
    past_cache: bool,
    show_all: bool,
    report_path: Path | None,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Read images again and compare them with what is on record.

    Without names, all shelves. An image that is not on record is looked at as
    well: its structure, and whether its bytes are those of an image that is.
    Nothing on record is replaced; what is right is confirmed with today's date.

    With --depth contents, cabinets, ZIP and other archives, programs, compressed
    files and checksum lists inside images are verified in place; archives inside
    archives are not followed. With --against, a folder is compared with somebody
    else's list, as mediashelf checksums check does; the catalogue is not used.
    """
    if lists:
        _audit_against(context, names, lists, as_json, quiet, fail_on, show_all)
        return
    with open_catalogue(catalogue_path) as catalogue:
        jobs = plan_audit(catalogue, names)
        # The files inside have at most about as many bytes as their image.
        passes = {Depth.STRUCTURE: 0, Depth.DIGESTS: 1, Depth.CONTENTS: 2}[Depth(depth)]
        total = passes * sum(job.size for job in jobs)
        with (
            progress("auditing", total=total, quiet=quiet) as on_bytes,
            closing(
                run_audit(
                    catalogue,
                    jobs,
                    depth=Depth(depth),
                    past_cache=past_cache,
                    on_bytes=on_bytes,
                )
            ) as running,
        ):
            results = list(running)
    if not catalogue.can_write and any(each.job.row for each in results):
        tell("The catalogue cannot be written, so nothing was confirmed in it.")
    if as_json:
        say_json(audit_document(results, Depth(depth)))
    else:
        _say(results, Depth(depth), show_all=show_all, quiet=quiet)
    if report_path is not None:
        _report(report_path, results, Depth(depth), names)
        if not (as_json or quiet):
            say_wrapped(f"Report: {report_path}")
    exit_for([finding for each in results for finding in each.verdict.findings], fail_on)


def _audit_against(
    context: click.Context,
    names: tuple[str, ...],
    lists: tuple[Path, ...],
    as_json: bool,
    quiet: bool,
    fail_on: str,
    show_all: bool,
) -> None:
    for option in ("depth", "past_cache", "report_path"):
        if context.get_parameter_source(option) is not ParameterSource.DEFAULT:
            word = option.removesuffix("_path").replace("_", "-")
            raise click.UsageError(f"--against reads whole files and takes no --{word}.")
    if len(names) != 1:
        raise click.UsageError("--against takes one folder to compare.")
    check_folder(Path(names[0]), lists, "audit", as_json, quiet, fail_on, show_all=show_all)


def _report(
    path: Path, results: Sequence[AuditResult], depth: Depth, names: tuple[str, ...]
) -> None:
    # Loaded only for a page: templates cost as much as a short audit.
    from mediashelf.reports.audit_page import audit_html

    scope = ", ".join(names) or "All shelves"
    page = audit_html(results, depth, scope=scope, created=moment_text(), created_by=CREATED_BY)
    write_report(path, page)


def _say(results: Sequence[AuditResult], depth: Depth, *, show_all: bool, quiet: bool) -> None:
    if not results:
        say("No image to audit. Register a folder with: mediashelf shelf add FOLDER")
        return
    ordered = sorted(
        results, key=lambda each: (WORST_FIRST.index(each.verdict.state), each.job.where)
    )
    sound = [each for each in ordered if each.verdict.state is State.SOUND]
    hide_sound = quiet or (len(sound) > SOUND_SHOWN and not show_all)
    shown = [each for each in ordered if not (hide_sound and each.verdict.state is State.SOUND)]
    if shown:
        cells = [(each.job.where, each.verdict.state.value, _basis(each)) for each in shown]
        for line in table(("image", "state", "what was read"), cells):
            say(line)
    if hide_sound and sound and not quiet:
        say(f"… and {count_text(len(sound), 'sound image')} (--all names them)")
    for each in ordered:
        _say_findings(each, quiet)
    if shown and not quiet:
        say()
    if not quiet:
        for line in summary_lines(results, depth):
            say_wrapped(line)


def _basis(result: AuditResult) -> str:
    if result.twins:
        twin = result.twins[0]
        return f"{result.verdict.basis}; the same bytes as {twin.shelf}: {twin.path}"
    return result.verdict.basis


def _say_findings(result: AuditResult, quiet: bool) -> None:
    findings = [
        finding
        for finding in result.verdict.findings
        if not quiet or finding.severity is not Severity.NOTE
    ]
    if not findings:
        return
    say()
    say(result.job.where)
    say_findings(findings, limit=_PLACES_SHOWN)
    for span in result.verdict.spans[:_ENTRIES_SHOWN]:
        # Raw sectors are longer than the 2048 bytes that LBAs count here.
        blocks = f" (LBA {span.first_lba:,} to {span.last_lba:,})"
        say_wrapped(
            f"bytes {span.offset:,} to {span.offset + span.length - 1:,}"
            f"{'' if result.is_raw else blocks}",
            indent=2,
        )
    if len(result.verdict.spans) > _ENTRIES_SHOWN:
        say(f"  … and {len(result.verdict.spans) - _ENTRIES_SHOWN:,} more runs of bytes")
    for entry in result.touched[:_ENTRIES_SHOWN]:
        say_wrapped(
            f"holds bytes there: {entry.path} ({size_text(entry.touched)} of "
            f"{size_text(entry.size)})",
            indent=2,
        )
    if result.touched:
        others = len(result.touched) - _ENTRIES_SHOWN
        more = f"… and {others:,} more; " if others > 0 else ""
        untouched = max(0, result.entry_count - len(result.touched))
        say_wrapped(f"{more}{untouched:,} other entries lie wholly elsewhere", indent=2)
