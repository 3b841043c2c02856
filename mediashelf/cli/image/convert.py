"""``mediashelf convert``: raw sectors into an image that can be served."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from mediashelf.cli.documents import chosen, document
from mediashelf.cli.image.show_tracks import track_dict
from mediashelf.cli.options import (
    NAMED_FILE,
    catalogue_option,
    fail_on_option,
    json_option,
    quiet_option,
)
from mediashelf.cli.progress import progress
from mediashelf.cli.render import exit_for, say, say_findings, say_json, say_wrapped, summary, table
from mediashelf.errors import BlockedError
from mediashelf.findings import Severity
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.raw.auditing import TrackReport
from mediashelf.integrity.raw.convert import Conversion
from mediashelf.jobs.images.converting import ConvertRequest, convert_image
from mediashelf.text import count_text, first_text, size_text

_PLACES_SHOWN = 3
_FINDINGS_SHOWN = 10


@click.command(
    epilog="""
\b
Examples:
  mediashelf convert kiosk.cue -o kiosk.iso
  mediashelf convert kiosk.bin -o kiosk.iso --parity
  mediashelf convert mixed.cue --track 2 -o data.iso
  mediashelf convert scratched.cue -o best-effort.iso --anyway
"""
)
@click.argument("source", type=NAMED_FILE, metavar="SHEET.cue|IMAGE.bin")
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    metavar="DISC.iso",
    help="The image to write; it appears whole or not at all.",
)
@click.option("--track", "number", type=int, metavar="N", help="The track, if several hold data.")
@click.option(
    "--anyway", is_flag=True, help="Write even if sectors are lost or at a wrong address."
)
@click.option("--zero-lost", is_flag=True, help="With --anyway: lost sectors become zeros.")
@click.option("--parity", is_flag=True, help="Read the parity of good sectors too; slower.")
@click.option("--replace", is_flag=True, help="Write over an existing DISC.iso.")
@catalogue_option
@json_option
@quiet_option
@fail_on_option
def convert(
    source: Path,
    output: Path,
    number: int | None,
    anyway: bool,
    zero_lost: bool,
    parity: bool,
    replace: bool,
    catalogue_path: Path | None,
    as_json: bool,
    quiet: bool,
    fail_on: str,
) -> None:
    """Turn the data track of a raw image into an image of 2048-byte sectors.

    Every sector is verified by its sync, address, mode and EDC. Where the EDC fails and
    the parity can correct the sector, the new image has it corrected, with its EDC good;
    the source stays as it is. Where sectors are lost or at a wrong address nothing is
    written, unless you say --anyway.
    Without a sheet the sectors' size and kind are recognised. Audio cannot be converted.
    """
    if zero_lost and not anyway:
        raise click.UsageError("--zero-lost needs --anyway: without it no lost sector is written.")
    request = ConvertRequest(source, output, number, anyway, zero_lost, parity, replace)
    result = convert_image(request, progress=partial(progress, quiet=quiet))
    if as_json:
        say_json(_document(source, result, zero_lost))
    else:
        _say(result, quiet, zero_lost)
    if not result.is_written:
        raise BlockedError(
            f"{output}: not written ({_blockers(result)}); --anyway writes it all the same"
        )
    exit_for(result.findings, fail_on)


def _say(result: Conversion, quiet: bool, zero_lost: bool) -> None:
    report = result.report
    if not quiet:
        say_wrapped(f"{report.track.path.name}, track {report.track.number}: {_kind(report)}")
        rows = [
            (verdict.value, f"{count:,}", _where(report, verdict))
            for verdict, count in report.counts.items()
            if count
        ]
        for line in table(["sectors", "count", "where"], rows, right="count"):
            say(line)
        say()
    shown = [item for item in result.findings if not quiet or item.severity > Severity.NOTE]
    if shown:
        say_findings(shown, limit=_FINDINGS_SHOWN)
        say()
    if result.is_written and not quiet:
        _say_written(result, zero_lost)


def _say_written(result: Conversion, zero_lost: bool) -> None:
    report = result.report
    sectors = count_text(report.track.sector_count, "sector")
    say_wrapped(f"Wrote {result.output}: {sectors}, {size_text(result.size)}")
    if report.bytes_corrected:
        corrected = count_text(report.bytes_corrected, "byte")
        say_wrapped(f"{corrected} put right in it; the source was not changed")
    if report.counts[SectorVerdict.LOST]:
        lost = count_text(report.counts[SectorVerdict.LOST], "lost sector")
        say_wrapped(f"{lost} in it {'as zeros' if zero_lost else 'as they were found'}")
    say_wrapped(f"{_extent(report)}: {summary(result.findings)}")


def _kind(report: TrackReport) -> str:
    return f"{report.track.layout.name}, {count_text(report.track.sector_count, 'sector')}"


def _where(report: TrackReport, verdict: SectorVerdict) -> str:
    runs = [run.blocks for run in report.runs if run.verdict is verdict]
    return first_text(runs, _PLACES_SHOWN, "run")


def _extent(report: TrackReport) -> str:
    if report.track.layout.is_plain:
        return "Sectors copied, with nothing to check them by"
    if report.is_parity_read:
        return "EDC and parity of every sector read"
    return "EDC of every sector read, parity only where it failed"


def _blockers(result: Conversion) -> str:
    counts = result.report.counts
    parts = [
        count_text(counts[verdict], f"{verdict.value} sector")
        for verdict in (SectorVerdict.LOST, SectorVerdict.MISPLACED)
        if counts[verdict]
    ]
    if any(finding.rule == "form-2-cut" for finding in result.findings):
        parts.append("sectors of form 2 that do not fit")
    return ", ".join(parts)


def _document(source: Path, result: Conversion, zero_lost: bool) -> dict[str, object]:
    report = result.report
    return document(
        "convert",
        source=source,
        **chosen(result, "output", "is_written", "size"),
        track=track_dict(report.track) | {"first_lba": report.first_lba},
        sectors=report.counts,
        bytes_corrected=report.bytes_corrected,
        parity_read=report.is_parity_read,
        lost_as="zeros" if zero_lost else "found",
        runs=[
            chosen(
                *(run, "verdict", "reason", "first_lba", "offset", "size"),
                sector_count=run.count,
                bytes_corrected=run.bytes_changed,
            )
            for run in report.runs
        ],
        findings=result.findings,
    )
