"""One verdict from what was read of an image and what is on record of it."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec.structs import replace

from mediashelf.catalogue import images
from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.auditing.others_bytes import with_others_bytes
from mediashelf.catalogue.auditing.same_bytes import SameBytes
from mediashelf.catalogue.auditing.unrecorded import judge_unrecorded
from mediashelf.catalogue.auditing.values import AuditResult
from mediashelf.catalogue.records.inside import is_wrapping_name
from mediashelf.catalogue.records.waiting import judged_words
from mediashelf.catalogue.rows import Presence
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.store import Catalogue
from mediashelf.formats.raw.verdicts import SectorVerdict
from mediashelf.integrity.fixity.acknowledged import Acknowledged, with_acknowledged
from mediashelf.integrity.fixity.comparing import (
    Absence,
    FixityVerdict,
    Observed,
    State,
    compare_with_record,
)
from mediashelf.integrity.fixity.values import DAMAGED_INSIDE
from mediashelf.integrity.structure.damage import PLAIN_SECTORS, count_hidden, entries_touched
from mediashelf.text import count_text


def judge_image(
    catalogue: Catalogue, same_bytes: SameBytes, job: AuditJob, reading: Reading
) -> AuditResult:
    """Return the verdict on one image; nothing is written. ``same_bytes`` are the audit's."""
    record = images.fixity_record(catalogue.db, job.row) if job.row is not None else None
    verdict = compare_with_record(
        job.where,
        _observed(job, reading),
        record,
        (*reading.findings, *reading.inside),
        structure_read=reading.structure_read,
        inside_read=reading.inside_report is not None,
    )
    if verdict.state is State.CHANGING:
        return AuditResult(job, verdict, reading)
    verdict = _with_sectors(reading, verdict)
    result = AuditResult(job, verdict, reading, reading.touched, reading.entry_count)
    if job.row is None or record is None:
        return judge_unrecorded(catalogue, same_bytes, result)
    result = with_others_bytes(same_bytes, _with_earlier_word(result))
    if verdict.spans:
        return _with_touched(catalogue, result)
    if any(each.rule == DAMAGED_INSIDE for each in verdict.findings):
        result = _with_touched(catalogue, result)
    return _with_acknowledged(result, record.acknowledged)


def _observed(job: AuditJob, reading: Reading) -> Observed:
    if reading.is_missing:
        is_away = job.presence is Presence.AWAY
        absence = Absence.AWAY if is_away else Absence.MISSING
        return Observed(absence=absence, problem=job.other_folder)
    return Observed(
        reading.size,
        reading.mtime_ns,
        reading.digests,
        reading.problem,
        reading.unreadable,
        reading.around,
        reading.is_changing,
        is_refused=reading.is_refused,
    )


def _with_acknowledged(result: AuditResult, known: Mapping[str, Acknowledged]) -> AuditResult:
    """Findings that the keeper acknowledged are notes, while the bytes are those on record."""
    verdict = result.verdict
    if not known or not verdict.is_confirmed:
        return result
    findings = with_acknowledged(verdict.findings, known)
    rules = tuple(sorted(known.keys() & {each.rule for each in findings}))
    return replace(result, verdict=replace(verdict, findings=findings), acknowledged=rules)


def _with_earlier_word(result: AuditResult) -> AuditResult:
    """Of bytes that were found decayed or cut before, say so: a new date tells nothing new."""
    row, verdict, digests = result.job.row, result.verdict, result.reading.digests
    if row is None or row.waiting is None or digests is None or verdict.state is not State.CHANGED:
        return result
    words = judged_words(row.waiting) if row.waiting.has(digests.whole) else ""
    if not words:
        return result
    own, *others = verdict.findings
    told = replace(own, message=f"{own.message}{words}")
    return replace(result, verdict=replace(verdict, findings=(told, *others)))


def _with_sectors(reading: Reading, verdict: FixityVerdict) -> FixityVerdict:
    """Say what the sectors of a raw image told."""
    if not reading.sectors or not any(reading.sectors.values()):
        return verdict
    counts = reading.sectors
    good = counts[SectorVerdict.GOOD]
    wrong = [
        f"{counts[each]:,} {each.value}"
        for each in (SectorVerdict.CORRECTED, SectorVerdict.MISPLACED, SectorVerdict.LOST)
        if counts[each]
    ]
    words = [f"EDC good on {count_text(good, 'sector')}"] if good or wrong else []
    words += [word.replace("corrected", "correctable from parity") for word in wrong]
    if counts[SectorVerdict.UNCHECKED]:
        words.append(f"{count_text(counts[SectorVerdict.UNCHECKED], 'sector')} without a checksum")
    return replace(verdict, basis=f"{verdict.basis}; {', '.join(words)}")


def _with_touched(catalogue: Catalogue, result: AuditResult) -> AuditResult:
    """Name the entries by the tree on record, since that of a damaged image may be damaged."""
    row = result.job.row
    facts = images.facts_of(catalogue.db, row.id) if row is not None else None
    if row is None or facts is None or result.job.is_sheet:
        return result
    stored = result.reading.stored
    # Bytes of a compressed file or an archive are not those of the disc in it.
    is_unknown = not result.reading.has_sectors or is_wrapping_name(row.path)
    if is_unknown or (facts.looks_raw and stored == PLAIN_SECTORS):
        return replace(result, touched=(), entry_count=row.entry_count)
    touched = entries_touched(facts, result.damage, stored)
    count = row.entry_count + count_hidden(touched)
    return replace(result, touched=touched, entry_count=count)
