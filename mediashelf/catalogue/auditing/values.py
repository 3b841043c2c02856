"""What an audit asks for and what comes out, as values."""

from __future__ import annotations

from enum import StrEnum

from msgspec import Struct

from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.findings import Severity, worst
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.fixity.comparing import FixityVerdict, State
from mediashelf.integrity.structure.damage import (
    PLAIN_SECTORS,
    DamageSpan,
    Span,
    TouchedEntry,
    damage_spans,
)


class Depth(StrEnum):
    """How much of an image is checked; structure and all bytes are read in any case."""

    DIGESTS = "digests"
    CONTENTS = "contents"  # files inside too


class AuditResult(Struct, frozen=True):
    """One image's verdict. ``twins`` are recorded images with the same bytes.

    ``touched`` are the entries, of ``entry_count``, that damage touches: bytes that
    differ from the record, and errors that have a place. ``new_digests`` are the
    algorithms whose digest was put on record. ``acknowledged`` are the rules whose
    findings the keeper knows: they are notes here.
    """

    job: AuditJob
    verdict: FixityVerdict
    reading: Reading
    touched: tuple[TouchedEntry, ...] = ()
    entry_count: int = 0
    twins: tuple[ImageRow, ...] = ()
    new_digests: tuple[str, ...] = ()
    acknowledged: tuple[str, ...] = ()

    @property
    def is_acknowledged(self) -> bool:
        """True where the bytes are as recorded, and the keeper lives with all that is wrong."""
        level = worst(self.verdict.findings)
        is_wrong = self.verdict.state is not State.SOUND
        return bool(self.acknowledged) and is_wrong and level is Severity.NOTE

    @property
    def shown_state(self) -> str:
        """The state as people read it."""
        unmet = self.job.row.unmet_words if self.job.row is not None else ""
        known = " (acknowledged)" if self.is_acknowledged else ""
        return f"{self.verdict.state.shown}{unmet}{known}"

    @property
    def is_raw(self) -> bool:
        """True where the image has raw sectors, now or on record."""
        counts = self.reading.sectors or {}
        has_checks = any(counts[each] for each in counts if each is not SectorVerdict.UNCHECKED)
        on_record = self.job.row is not None and self.job.row.looks_raw
        return self.reading.looks_raw or on_record or has_checks

    @property
    def spans(self) -> tuple[DamageSpan, ...]:
        """Every run of the file's bytes that something is wrong with, in order.

        What is wrong in the files that a sheet names has its place there.
        """
        if self.job.is_sheet:
            return ()
        verdict = self.verdict
        rule = verdict.findings[0].rule if verdict.spans else ""
        return damage_spans(verdict.findings, verdict.spans, rule)

    @property
    def damage(self) -> tuple[Span, ...]:
        """The runs of bytes that are wrong: those of errors alone."""
        return tuple(each.span for each in self.spans if each.severity is Severity.ERROR)

    def lbas(self, span: Span) -> tuple[int, int] | None:
        """Return the first and last sector of a run of the file's bytes, None where unknown."""
        if not self.reading.has_sectors or self.reading.is_sheet:
            return None
        if self.is_raw and self.reading.stored == PLAIN_SECTORS:
            return None  # how long its sectors are is not known
        return self.reading.stored.lbas(span)
