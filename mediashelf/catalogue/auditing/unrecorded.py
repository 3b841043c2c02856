"""Auditing an image without a record: are its bytes those of one that has a record?"""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from mediashelf.catalogue import images
from mediashelf.catalogue.auditing.same_bytes import SameBytes
from mediashelf.catalogue.auditing.values import AuditResult
from mediashelf.catalogue.records.damage_inside import damage_inside_of
from mediashelf.catalogue.records.published import unmet_findings
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.comparing import FixityRecord, FixityVerdict, State
from mediashelf.integrity.fixity.digests import differing_blocks
from mediashelf.text import blocks_differ


def judge_unrecorded(
    catalogue: Catalogue, same_bytes: SameBytes, result: AuditResult
) -> AuditResult:
    """Look for the bytes of an image without a record among those on record."""
    job, reading = result.job, result.reading
    if reading.digests is None or not reading.size or reading.problem:
        return result
    twins = same_bytes.of(reading.digests.whole["xxh3_128"])
    if twins and result.verdict.state is State.UNRECORDED:
        return replace(result, verdict=_by_twins(catalogue, result, twins), twins=twins)
    if twins:
        return replace(result, twins=twins)
    namesakes = [
        row for row in images.by_name(catalogue.db, job.path.name) if row.digests and row != job.row
    ]
    finding = next(
        (
            found
            for row in namesakes
            for found in _check_namesake(result, row, images.fixity_record(catalogue.db, row))
        ),
        None,
    )
    if finding is None:
        return result
    verdict = replace(result.verdict, findings=(finding, *result.verdict.findings))
    return replace(result, verdict=verdict)


def _by_twins(
    catalogue: Catalogue, result: AuditResult, twins: tuple[ImageRow, ...]
) -> FixityVerdict:
    """Judge by the records of the same bytes; an audit may have found damage inside of them."""
    reading, where = result.reading, result.job.where
    unmet = next(filter(None, (unmet_findings(row, where) for row in twins)), ())
    verdict = replace(result.verdict, findings=(*result.verdict.findings, *unmet))
    if reading.inside_report is None and reading.digests is not None:
        digests = reading.digests.whole.values()
        found = damage_inside_of(catalogue.db, where, digests)
        if found:
            findings = (*found, *verdict.findings)
            return replace(verdict, state=State.DAMAGED, findings=findings)
    return replace(verdict, state=State.SOUND)


def _check_namesake(
    result: AuditResult, row: ImageRow, record: FixityRecord | None
) -> Iterator[Finding]:
    """A file with the name of a recorded image and most of its bytes is a copy gone wrong."""
    job, reading = result.job, result.reading
    if record is None or reading.digests is None or not record.blocks:
        return
    numbers = differing_blocks(record.blocks, reading.digests.blocks)
    total = max(len(record.blocks), len(reading.digests.blocks)) // 8
    if len(numbers) * 2 > total and reading.size != record.size:
        return
    yield Finding(
        "copy-agrees",
        Severity.WARNING,
        job.where,
        f"not on record itself, it has the name of {row.where}, but "
        f"{blocks_differ(len(numbers), total)} from that",
        remedy="if it should be a copy, copy it again",
        found=f"{reading.size:,} bytes",
        expected=f"{record.size:,} bytes",
    )
