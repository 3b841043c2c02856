"""Audit raw images: every sector of every data track, judged by itself."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.findings import Finding
from mediashelf.formats.raw.judgement import JudgedSector
from mediashelf.formats.raw.sectors import SectorKind
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.integrity.raw.runs import PARITY_DAMAGED, RunCollector, SectorRun, check_runs
from mediashelf.integrity.raw.scan import SectorBatch, find_first_lba, iter_batches
from mediashelf.integrity.raw.track_findings import (
    IN_STEP,
    begins_elsewhere,
    nothing_to_check,
    of_another_mode,
    out_of_step,
)
from mediashelf.integrity.raw.tracks import RawDisc, RawTrack, read_raw_disc


class TrackReport(Struct, frozen=True):
    """What is known of one track.

    ``first_lba`` is the block number of its first sector. ``counts`` has every
    verdict; audio, and sectors that hold user data alone, are unchecked. ``runs``
    are the sectors that are not simply good, in order. ``is_parity_read`` says
    whether parity was read of good sectors too.
    """

    track: RawTrack
    first_lba: int
    counts: dict[SectorVerdict, int]
    runs: tuple[SectorRun, ...] = ()
    findings: tuple[Finding, ...] = ()
    is_parity_read: bool = False

    @property
    def sector_count(self) -> int:
        """How many sectors were judged."""
        return sum(self.counts.values())

    @property
    def is_shifted(self) -> bool:
        """Whether bytes before some sectors are missing or too many."""
        return any(finding.rule == IN_STEP for finding in self.findings)

    @property
    def bytes_corrected(self) -> int:
        """How many bytes were wrong and are known."""
        return sum(run.bytes_changed for run in self.runs)


class RawReport(Struct, frozen=True):
    """An audit of a raw image; ``findings`` are all, the tracks' included."""

    path: Path
    tracks: tuple[TrackReport, ...]
    findings: tuple[Finding, ...]

    @property
    def counts(self) -> dict[SectorVerdict, int]:
        """How many sectors have each verdict, over all tracks."""
        total: Counter[SectorVerdict] = Counter()
        for track in self.tracks:
            total.update(track.counts)
        return {verdict: total[verdict] for verdict in SectorVerdict}


def audit_raw(
    path: Path, *, parity: bool = False, on_bytes: Callable[[int], None] = lambda amount: None
) -> RawReport:
    """Return the verdicts on all sectors of a cue sheet's tracks, or of a bare raw image.

    Parity is read where the EDC fails; with ``parity`` it is read everywhere.
    Nothing is written. Raises :class:`InputError` and :class:`FormatError` as
    :func:`~mediashelf.integrity.raw.tracks.read_raw_disc` does.
    """
    disc = read_raw_disc(path)
    reports = []
    for track in disc.tracks:
        if _has_checks(track):
            auditor = TrackAuditor(track, parity=parity, corrects=False)
            for _ in auditor.iter_batches(on_bytes):
                pass
            reports.append(auditor.report())
        else:
            reports.append(_unchecked_report(track))
    findings = [
        *findings_beside(disc, reports),
        *(finding for track in reports for finding in track.findings),
    ]
    return RawReport(path, tuple(reports), tuple(findings))


def findings_beside(disc: RawDisc, reports: Sequence[TrackReport]) -> list[Finding]:
    """Return what was found before the sectors were read, and still is so.

    Where bytes are missing or too many, the last sector is whole although the size of the
    file is not that of whole sectors.
    """
    in_step = {report.track.path.name for report in reports if report.is_shifted}
    return [
        finding
        for finding in disc.findings
        if finding.rule != "track-cut-short" or finding.where.split(", ")[0] not in in_step
    ]


def _has_checks(track: RawTrack) -> bool:
    return track.layout.is_data and not track.layout.is_plain


def _unchecked_report(track: RawTrack) -> TrackReport:
    counts = dict.fromkeys(SectorVerdict, 0) | {SectorVerdict.UNCHECKED: track.sector_count}
    return TrackReport(track, track.first_lba or 0, counts, findings=(nothing_to_check(track),))


class TrackAuditor:
    """Judges a data track batch by batch and keeps account.

    Batches are for whoever also wants the user data; :meth:`report` tells about
    those that were taken. ``corrects`` says whether corrected data is
    written somewhere, or stays wrong where it is.
    """

    def __init__(self, track: RawTrack, *, parity: bool = False, corrects: bool = True) -> None:
        self._track, self._parity, self._corrects = track, parity, corrects
        self._found_lba = find_first_lba(track)
        self.first_lba = self._found_lba if self._found_lba is not None else track.first_lba or 0
        self.volume_end: int | None = None
        self._runs = RunCollector(track, self.first_lba)
        self._parity_runs = RunCollector(track, self.first_lba)
        self._other_mode = 0
        self._counts: Counter[SectorVerdict] = Counter()
        self._slips: list[tuple[int, int]] = []  # block number, bytes too many before it
        self._shift = 0

    def iter_batches(
        self, on_bytes: Callable[[int], None] = lambda amount: None
    ) -> Iterator[SectorBatch]:
        """Yield the track's sectors in order, each batch after it was taken into account."""
        for batch in iter_batches(
            self._track, self.first_lba, parity=self._parity, on_bytes=on_bytes
        ):
            self._take(batch)
            yield batch

    def report(self) -> TrackReport:
        """Return the account so far."""
        runs = tuple(self._runs.runs)
        findings = [
            *self._check_description(),
            *check_runs(self._track, runs, self.volume_end, corrects=self._corrects),
            *check_runs(self._track, self._parity_runs.runs),
        ]
        counts = {verdict: self._counts[verdict] for verdict in SectorVerdict}
        return TrackReport(self._track, self.first_lba, counts, runs, tuple(findings), self._parity)

    def _take(self, batch: SectorBatch) -> None:
        if batch.first == 0 and self.first_lba == 0:
            self.volume_end = find_volume_end(batch.user_data())
        shift = batch.offset - self._track.offset - batch.first * self._track.layout.size
        if shift != self._shift:
            self._slips.append((self.first_lba + batch.first, shift - self._shift))
            self._shift = shift
        usual = SectorVerdict.GOOD if _has_checks(self._track) else SectorVerdict.UNCHECKED
        self._counts[usual] += batch.sector_count - len(batch.judged)
        for index, sector in batch.judged.items():
            self._counts[sector.verdict] += 1
            if sector.verdict is not SectorVerdict.GOOD:
                self._runs.add(
                    batch.first + index,
                    batch.place(index),
                    sector.verdict,
                    sector.reason,
                    len(sector.changed),
                )
            if sector.verdict is not SectorVerdict.LOST:
                self._other_mode += self._is_of_other_mode(sector)
        for index in batch.parity_damage:
            place = batch.place(index)
            self._parity_runs.add(batch.first + index, place, SectorVerdict.GOOD, PARITY_DAMAGED)

    def _is_of_other_mode(self, sector: JudgedSector) -> bool:
        is_mode_1 = sector.kind is SectorKind.MODE_1
        return sector.kind is not SectorKind.EMPTY and is_mode_1 != (self._track.layout.mode == 1)

    def _check_description(self) -> Iterator[Finding]:
        track = self._track
        if not _has_checks(track):
            yield nothing_to_check(track)
        if self._slips:
            yield out_of_step(track, self._slips)
        if self._other_mode:
            yield of_another_mode(track, self._other_mode)
        if self._found_lba is not None and self._found_lba != (track.first_lba or 0):
            yield begins_elsewhere(track, self._found_lba)


def find_volume_end(data: bytes) -> int | None:
    """Return the block after an ISO 9660 volume's last by its descriptor, or None.

    ``data`` is a track's user data from its start. None also where a UDF volume is
    there, whose end is not known here.
    """
    blocks = None
    for sector in range(16, 32):  # ECMA-119 6.7.1: descriptors start at sector 16
        descriptor = data[sector * SECTOR_SIZE : (sector + 1) * SECTOR_SIZE]
        if descriptor[1:6] in (b"NSR02", b"NSR03"):
            return None
        if descriptor[:6] == b"\x01CD001" and blocks is None:
            blocks = int.from_bytes(descriptor[80:84], "little")
    return blocks
