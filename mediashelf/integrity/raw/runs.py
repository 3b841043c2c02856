"""Runs of sectors with one verdict, and the findings that they make."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.findings import Finding, Severity
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.raw.tracks import RawTrack
from mediashelf.text import count_text

MOST_FINDINGS = 1000
"""Runs of one rule in a track that become findings of their own; the rest are counted."""

PARITY_DAMAGED = "EDC good, but the P and Q parity does not match"
"""The reason of good sectors that have lost their spare."""

_EDC = "CRC-32/CD-ROM-EDC, RevEng catalogue"
_ADDRESS = "block 0 has the address 00:02:00, Linux kernel uapi/linux/cdrom.h"


class SectorRun(Struct, frozen=True):
    """Consecutive sectors with one verdict for one reason.

    ``first_lba`` and ``count`` say which; ``offset`` and ``size`` are bytes in the
    track's file. ``bytes_changed`` were corrected in all of them together.
    """

    verdict: SectorVerdict
    reason: str
    first_lba: int
    count: int
    offset: int
    size: int
    bytes_changed: int = 0

    @property
    def end_lba(self) -> int:
        """The block after the last."""
        return self.first_lba + self.count

    @property
    def blocks(self) -> str:
        """Which blocks, in words: ``LBA 120`` or ``LBA 120–135``."""
        return f"LBA {self.first_lba}" + (f"–{self.end_lba - 1}" if self.count > 1 else "")


class RunCollector:
    """Joins sectors that are added in order into runs."""

    def __init__(self, track: RawTrack, first_lba: int) -> None:
        self._track, self._first_lba = track, first_lba
        self.runs: list[SectorRun] = []

    def add(
        self,
        index: int,
        offset: int,
        verdict: SectorVerdict,
        reason: str,
        bytes_changed: int = 0,
    ) -> None:
        """Add the sector with this index in the track, which is at ``offset`` in the file."""
        end = self._track.offset + self._track.size
        run = SectorRun(
            verdict,
            reason,
            self._first_lba + index,
            1,
            offset,
            min(self._track.layout.size, end - offset),
            bytes_changed,
        )
        if self.runs and _joins(self.runs[-1], run):
            last = self.runs.pop()
            run = replace(
                last,
                count=last.count + 1,
                size=last.size + run.size,
                bytes_changed=last.bytes_changed + bytes_changed,
            )
        self.runs.append(run)


def _joins(last: SectorRun, run: SectorRun) -> bool:
    return (last.end_lba, last.verdict, last.reason) == (run.first_lba, run.verdict, run.reason)


class _Rule(NamedTuple):
    name: str
    severity: Severity
    remedy: str
    source: str = _EDC


_LOST = _Rule(
    "sector-lost",
    Severity.ERROR,
    "take these sectors from another copy; convert --anyway writes them as they were read",
)
_LOST_AFTER_VOLUME = _Rule(
    "sector-lost-after-volume",
    Severity.WARNING,
    "nothing, as long as the volume's own size is right: no file is there",
    "common practice: discs written track by track end in sectors that cannot be read",
)
_DAMAGED = _Rule(
    "sector-damaged",
    Severity.ERROR,
    "write a corrected image with: mediashelf convert; or copy the file again",
)
SECTOR_RULES = {
    SectorVerdict.GOOD: _Rule(
        "sector-parity",
        Severity.NOTE,
        "nothing for now: the user data are right, but further damage could not be corrected",
    ),
    SectorVerdict.CORRECTED: _Rule(
        "sector-corrected",
        Severity.WARNING,
        "use the converted image, which has the right data; this file stays as it is",
    ),
    SectorVerdict.UNCHECKED: _Rule(
        "sector-unproved", Severity.NOTE, "record digests of the file to notice later damage"
    ),
    SectorVerdict.MISPLACED: _Rule(
        "sector-misplaced",
        Severity.ERROR,
        "read the disc again: sectors are missing or repeated before this one",
        _ADDRESS,
    ),
    SectorVerdict.LOST: _LOST,
}


def check_runs(
    track: RawTrack,
    runs: Iterable[SectorRun],
    volume_end: int | None = None,
    *,
    corrects: bool = True,
) -> Iterator[Finding]:
    """Yield a finding for each run; ``volume_end`` is the block after the volume, if known.

    Where nothing is written (not ``corrects``), damage that could be corrected
    is still damage.
    """
    told: Counter[_Rule] = Counter()
    for run in runs:
        rule = SECTOR_RULES[run.verdict]
        if run.verdict is SectorVerdict.CORRECTED and not corrects:
            rule = _DAMAGED
        if rule is _LOST and volume_end is not None and run.first_lba >= volume_end:
            rule = _LOST_AFTER_VOLUME
        told[rule] += 1
        if told[rule] <= MOST_FINDINGS:
            message = _damage_message(run) if rule is _DAMAGED else _message(run)
            yield _finding(rule, _place(track, run.blocks), message, run)
    for rule, number in told.items():
        if number > MOST_FINDINGS:
            message = f"{count_text(number - MOST_FINDINGS, 'more run')} of sectors like these"
            yield _finding(rule, _place(track), message)


def _finding(rule: _Rule, where: str, message: str, run: SectorRun | None = None) -> Finding:
    return Finding(
        rule.name,
        rule.severity,
        where,
        message,
        remedy=rule.remedy,
        source=rule.source,
        offset=run.offset if run else None,
        length=run.size if run else None,
    )


def _place(track: RawTrack, blocks: str = "") -> str:
    place = f"{track.path.name}, track {track.number}"
    return f"{place}, {blocks}" if blocks else place


def _message(run: SectorRun) -> str:
    sectors = count_text(run.count, "sector")
    if run.verdict is SectorVerdict.MISPLACED:
        whose = "address does not match its position"
        if run.count > 1:
            whose = "addresses do not match their positions"
        return f"{sectors} whose {whose}: {run.reason}"
    if run.verdict is SectorVerdict.CORRECTED:
        wrong = count_text(run.bytes_changed, "byte")
        return f"{sectors} corrected: {wrong} corrected from the parity, EDC good"
    return f"{sectors} {run.verdict.value}: {run.reason}"


def _damage_message(run: SectorRun) -> str:
    whose = "sector's" if run.count == 1 else "sectors'"
    wrong = f"{count_text(run.bytes_changed, 'byte')} wrong, correctable from the {whose} parity"
    return f"{count_text(run.count, 'sector')} damaged: {wrong}"
