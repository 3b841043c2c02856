"""What the sectors of raw images say of themselves, read once a run whoever asks.

A disc of raw sectors is a cue sheet and the files that it names; both are images
on a shelf. The sheet answers for all tracks, a file for those that it holds. A
raw file without a sheet beside it is one track.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.catalogue.listing import list_entries
from mediashelf.catalogue.scanning.image_names import SHEET_SUFFIX
from mediashelf.errors import FormatError, InputError
from mediashelf.file_view import open_view
from mediashelf.findings import Finding, Severity
from mediashelf.formats.disc import read_disc
from mediashelf.formats.fields import View
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.formats.volume import SECTOR_SIZE, DiscFacts
from mediashelf.integrity.fixity.medium import is_medium_error
from mediashelf.integrity.structure.damage import (
    PLAIN_SECTORS,
    Span,
    StoredSectors,
    TouchedEntry,
    entries_touched,
    merged,
)
from mediashelf.integrity.structure.parts import check_structure

if TYPE_CHECKING:
    pass

if TYPE_CHECKING:
    from mediashelf.integrity.raw.auditing import RawReport, TrackReport

WRONG = (SectorVerdict.CORRECTED, SectorVerdict.MISPLACED, SectorVerdict.LOST)

# In a catalogue, where every file has its digest, nobody needs advice to record one.
_LEFT_OUT = frozenset({"track-audio", "track-without-checks", "sheet-beside-image"})

_MOST_SPANS = 10_000


class SectorsRead(Struct, frozen=True):
    """Verdicts on sectors: how many of each, what is wrong, and the entries that it touches.

    ``touched`` are entries of the volume in a sheet's first track, of which there
    are ``entry_count``; for a file they follow from the findings.
    """

    counts: dict[SectorVerdict, int]
    findings: tuple[Finding, ...]
    touched: tuple[TouchedEntry, ...] = ()
    entry_count: int = 0


class RawAudits:
    """The audits of one run; a sheet and its files share one, whichever thread comes first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._reports: dict[Path, Future[RawReport]] = {}

    def read_sheet(self, sheet: Path, on_bytes: Callable[[int], None]) -> SectorsRead:
        """Judge all tracks of a sheet; what is wrong with the sheet itself is a finding too."""
        try:
            report = self._report(sheet, on_bytes)
        except (FormatError, InputError) as error:
            return SectorsRead(dict.fromkeys(SectorVerdict, 0), (_sheet_problem(sheet, error),))
        unread = _unread_volumes(sheet, report.tracks)
        read = _sectors_read(report.tracks, (*report.findings, *unread))
        return _with_volume(read, report.tracks)

    def read_file(
        self, path: Path, looks_raw: bool, on_bytes: Callable[[int], None]
    ) -> SectorsRead | None:
        """Judge the sectors of a file by the sheet beside it, or, if it is raw, by themselves.

        None where neither tells how. Raises :class:`InputError` when the file can't be read.
        """
        for sheet in sheets_beside(path):
            try:
                tracks = self._report(sheet, on_bytes).tracks
            except (FormatError, InputError):
                continue  # told with the sheet
            own = [track for track in tracks if _is_same_file(track.track.path, path)]
            if own:
                findings = [finding for track in own for finding in track.findings]
                return _sectors_read(own, findings)
        if not looks_raw:
            return None
        report = _audited(path, on_bytes)
        return _sectors_read(report.tracks, report.findings)

    def _report(self, sheet: Path, on_bytes: Callable[[int], None]) -> RawReport:
        mine: Future[RawReport] = Future()
        with self._lock:
            shared = self._reports.setdefault(sheet, mine)
        if shared is mine:
            try:
                mine.set_result(_without_many_runs(_audited(sheet, on_bytes)))
            except BaseException as error:
                mine.set_exception(error)
                raise
        return shared.result()


def _audited(path: Path, on_bytes: Callable[[int], None]) -> RawReport:
    from mediashelf.integrity.raw.auditing import audit_raw  # most images have no raw sectors

    return audit_raw(path, on_bytes=on_bytes)


def sheets_beside(path: Path) -> list[Path]:
    """Return the cue sheets of the same name beside a file."""
    sheets = (path.with_suffix(SHEET_SUFFIX), path.with_suffix(SHEET_SUFFIX.upper()))
    return [sheet for sheet in sheets if sheet != path and sheet.is_file()]


def _is_same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def _without_many_runs(report: RawReport) -> RawReport:
    """Keep what a damaged sheet's report needs in memory until the run ends within bounds."""
    tracks = tuple(replace(track, runs=track.runs[:_MOST_SPANS]) for track in report.tracks)
    return replace(report, tracks=tracks)


def _sheet_problem(sheet: Path, error: FormatError | InputError) -> Finding:
    is_text = isinstance(error, FormatError)
    remedy = "put the files that the sheet names beside it"
    if is_text:
        remedy = "correct the sheet, or get it again with its files"
    elif is_medium_error(error):
        remedy = "copy what can be read to another disk first"
    return Finding(
        "sheet-understood" if is_text else "sheet-files-readable",
        Severity.ERROR,
        sheet.name,
        str(error).removeprefix(f"{sheet}: "),
        remedy=remedy,
    )


def _sectors_read(tracks: Sequence[TrackReport], findings: Sequence[Finding]) -> SectorsRead:
    counts = {verdict: sum(track.counts[verdict] for track in tracks) for verdict in SectorVerdict}
    kept = tuple(each for each in findings if each.rule not in _LEFT_OUT)
    return SectorsRead(counts, kept)


def _unread_volumes(sheet: Path, tracks: Sequence[TrackReport]) -> Iterator[Finding]:
    """Name data tracks after the first track: their volume counts from the start of the disc."""
    for report in tracks[1:]:
        if report.track.layout.is_data:
            yield Finding(
                "track-volume-read",
                Severity.NOTE,
                f"{sheet.name}, track {report.track.number}",
                "data after the first track, as of a later session; its sectors were checked, "
                "and the volume in it was not read",
                remedy="nothing; to look at it: mediashelf convert with --track",
                source="own behaviour",
            )


def _with_volume(read: SectorsRead, tracks: Sequence[TrackReport]) -> SectorsRead:
    """Check the volume in the first track, and name its entries in which wrong sectors lie.

    Damage that was there before the sectors were written has a good EDC.
    """
    first = tracks[0] if tracks else None
    if first is None or not first.track.layout.is_data or first.first_lba:
        return read
    from mediashelf.formats.raw.view import RawView  # most images have no raw sectors

    track = first.track
    view = open_view(track.path)
    try:
        stored = RawView(view, track.layout, offset=track.offset, sector_count=track.sector_count)
        facts, findings = read_disc(stored)
        findings = (*findings, *check_structure(_Volume(facts, stored)))
    except OSError as error:
        raise InputError(f"{track.path}: cannot be read: {error.strerror or error}") from error
    finally:
        view.close()
    # Places count in the volume; those of the sectors and of the file are told with them.
    own = tuple(
        replace(each, where=f"{track.path.name}: {each.where}", offset=None, length=None)
        for each in findings
    )
    read = replace(read, findings=(*read.findings, *own))
    if not any(first.counts[verdict] for verdict in WRONG):
        return read
    touched = entries_touched(facts, _wrong_spans(first))
    return replace(read, touched=touched, entry_count=list_entries(facts).count())


class _Volume(NamedTuple):
    """A disc's facts and the bytes that they are of."""

    facts: DiscFacts
    view: View


def _wrong_spans(report: TrackReport) -> tuple[Span, ...]:
    """Return where user data is wrong, in bytes of the volume."""
    return merged(
        Span(run.first_lba * SECTOR_SIZE, run.count * SECTOR_SIZE)
        for run in report.runs[:_MOST_SPANS]
        if run.verdict in WRONG
    )


def stored_sectors(path: Path) -> StoredSectors:
    """Return how a file that looks raw stores the sectors of its disc."""
    # Loaded only here: most images have no raw sectors.
    from mediashelf.formats.raw.layout import HEAD_SIZE, detect_layout
    from mediashelf.integrity.raw.files import read_bytes

    layout = detect_layout(read_bytes(path, 0, HEAD_SIZE))
    return PLAIN_SECTORS if layout is None else StoredSectors(layout.size, layout.user_offset)


def in_file(finding: Finding, stored: StoredSectors) -> Finding:
    """Let a finding of a raw image count in the file, as damage does."""
    if finding.offset is None:
        return finding
    span = stored.in_file(Span(finding.offset, finding.length or 0))
    return replace(finding, offset=span.offset, length=finding.length and span.length)
