"""Auditing images against the catalogue: what to look at, one verdict each, and writing it down."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from enum import StrEnum

from mediashelf.catalogue import images
from mediashelf.catalogue.audit_names import AuditJob
from mediashelf.catalogue.due import Budget
from mediashelf.catalogue.history import keep_verdict
from mediashelf.catalogue.reading import WORKERS, Reading, read_image, read_many
from mediashelf.catalogue.record import replace_findings
from mediashelf.catalogue.rows import ImageRow, Presence, utc_now
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.damage import TouchedEntry, entries_touched
from mediashelf.integrity.digests import differing_blocks
from mediashelf.integrity.fixity import (
    Absence,
    FixityRecord,
    Observed,
    State,
    Verdict,
    compare,
)
from mediashelf.text import count_text


class Depth(StrEnum):
    """How much of an image is read; each depth includes the ones before it."""

    STRUCTURE = "structure"
    DIGESTS = "digests"
    CONTENTS = "contents"

    @property
    def reads_every_byte(self) -> bool:
        """Whether digests are computed."""
        return self is not Depth.STRUCTURE


@dataclass(frozen=True, slots=True)
class AuditResult:
    """One image's verdict. ``twins`` are recorded images with the same bytes.

    ``touched`` are the entries with bytes in the parts that differ from the
    record; ``entry_count`` is how many entries the record knows.
    """

    job: AuditJob
    verdict: Verdict
    reading: Reading
    touched: tuple[TouchedEntry, ...] = ()
    entry_count: int = 0
    twins: tuple[ImageRow, ...] = ()

    @property
    def is_raw(self) -> bool:
        """True where the image has raw sectors, now or on record, so that LBAs say nothing."""
        return self.reading.looks_raw or (self.job.row is not None and self.job.row.looks_raw)


def run_audit(
    catalogue: Catalogue,
    jobs: Sequence[AuditJob],
    *,
    depth: Depth = Depth.DIGESTS,
    past_cache: bool = False,
    workers: int = WORKERS,
    budget: Budget | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
) -> Generator[AuditResult, None, None]:
    """Read the images and yield each verdict, once it is written to the catalogue.

    Nothing on record is replaced: a digest that is right is confirmed with the
    day, one that is not stays what the file is compared with. With a ``budget``
    the images are read one after the other, and those that it leaves are not
    yielded.
    """

    def read(job: AuditJob, count: Callable[[int], None]) -> Reading:
        if budget is None:
            return look(job, count)
        if not budget.may_start(job):
            return Reading()
        reading = look(job, count)
        budget.ended(job)
        return reading

    def look(job: AuditJob, count: Callable[[int], None]) -> Reading:
        if job.presence is not Presence.HERE:
            return Reading(is_missing=True)
        return read_image(
            job.path,
            is_sheet=job.is_sheet,
            algorithms=(job.row.digests if job.row is not None else ()) or ("xxh3_128",),
            contents=depth.reads_every_byte,
            files_inside=depth is Depth.CONTENTS,
            past_cache=past_cache,
            on_bytes=count,
        )

    workers = workers if budget is None else 1
    with closing(read_many(jobs, read, workers=workers, on_bytes=on_bytes)) as readings:
        for job, reading in readings:
            if budget is not None and job.path in budget.left:
                continue
            result = _judge(catalogue, job, reading.without_listing())
            if job.row is not None and catalogue.can_write:
                with transaction(catalogue.db):
                    _write(catalogue, job.row, result)
            yield result


def _judge(catalogue: Catalogue, job: AuditJob, reading: Reading) -> AuditResult:
    record = images.fixity_record(catalogue.db, job.row) if job.row is not None else None
    verdict = compare(
        job.where,
        _observed(job, reading),
        record,
        (*reading.findings, *reading.inside),
        structure_read=reading.structure_read,
    )
    verdict = _with_earlier_damage(job, reading, verdict)
    if job.row is None or record is None:
        return _judge_unrecorded(catalogue, job, reading, verdict)
    if not verdict.spans:
        return AuditResult(job, verdict, reading)
    # The tree as recorded, since that of a damaged image may be damaged itself.
    facts = images.facts_of(catalogue.db, job.row.id)
    touched = () if facts is None or facts.looks_raw else entries_touched(facts, verdict.spans)
    return AuditResult(job, verdict, reading, touched, job.row.entry_count)


def _with_earlier_damage(job: AuditJob, reading: Reading, verdict: Verdict) -> Verdict:
    """Bytes that are as recorded still hold the damage that a deeper audit found in them."""
    row = job.row
    if (
        row is None
        or row.verdict != State.DAMAGED
        or row.judged_by != "audit"
        or verdict.state is not State.SOUND
        or not verdict.is_confirmed
        or reading.inside_report is not None
    ):
        return verdict
    finding = Finding(
        "damage-inside-on-record",
        Severity.ERROR,
        job.where,
        f"the audit of {(row.audited_at or row.scanned_at)[:10]} found damage inside, and the "
        "bytes are still the same",
        remedy="audit it with --depth contents to see the files that are hit",
    )
    return replace(verdict, state=State.DAMAGED, findings=(finding, *verdict.findings))


def _observed(job: AuditJob, reading: Reading) -> Observed:
    if reading.is_missing:
        is_away = job.presence is Presence.AWAY
        return Observed(absence=Absence.AWAY if is_away else Absence.MISSING)
    problem = reading.problem
    if reading.is_changing:
        problem = "it was written while it was read; audit it again when that has ended"
    return Observed(reading.size, reading.mtime_ns, reading.digests, problem)


def _judge_unrecorded(
    catalogue: Catalogue, job: AuditJob, reading: Reading, verdict: Verdict
) -> AuditResult:
    """Look for the bytes of an image without a record among those on record."""
    if reading.digests is None or not reading.size or reading.problem:
        return AuditResult(job, verdict, reading)
    twins = catalogue.images_by_digest(reading.digests.whole["xxh3_128"])
    if twins:
        return AuditResult(job, verdict, reading, twins=tuple(twins))
    namesakes = [
        row for row in images.by_name(catalogue.db, job.path.name) if row.digests and row != job.row
    ]
    finding = next(
        (
            found
            for row in namesakes
            for found in _check_namesake(job, reading, row, images.fixity_record(catalogue.db, row))
        ),
        None,
    )
    if finding is None:
        return AuditResult(job, verdict, reading)
    findings = (finding, *verdict.findings)
    return AuditResult(
        job,
        Verdict(verdict.state, verdict.basis, findings, bytes_read=verdict.bytes_read),
        reading,
    )


def _check_namesake(
    job: AuditJob, reading: Reading, row: ImageRow, record: FixityRecord | None
) -> Iterator[Finding]:
    """A file with the name of a recorded image and most of its bytes is a copy gone wrong."""
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
        f"not on record itself, it has the name of {row.shelf}: {row.path}, but "
        f"{len(numbers):,} of {count_text(total, 'MiB', 'MiB')} differ from that",
        remedy="if it should be a copy, copy it again",
        found=f"{reading.size:,} bytes",
        expected=f"{record.size:,} bytes",
    )


def _write(catalogue: Catalogue, row: ImageRow, result: AuditResult) -> None:
    """Keep a verdict, within the caller's transaction."""
    db, verdict, now = catalogue.db, result.verdict, utc_now()
    files_inside = result.reading.inside_report is not None
    keep_verdict(db, row, verdict, now, files_inside=files_inside)
    if verdict.state in (State.MISSING, State.AWAY):
        db.execute("UPDATE images SET presence = ? WHERE id = ?", [verdict.state.value, row.id])
        return
    db.execute("UPDATE images SET presence = 'here' WHERE id = ?", [row.id])
    if verdict.is_confirmed:
        # A new date alone must not make the next scan read the file again.
        db.execute("UPDATE images SET mtime_ns = ? WHERE id = ?", [result.reading.mtime_ns, row.id])
        db.execute(
            "UPDATE fixity SET confirmed_at = ? WHERE image_id = ? AND replaced_at IS NULL",
            [now, row.id],
        )
    elif verdict.state is State.SOUND:
        return  # the contents were not read: an earlier verdict on them still holds
    db.execute(
        "UPDATE images SET verdict = ?, judged_by = 'audit', problem = ?, audited_at = ? "
        "WHERE id = ?",
        [verdict.state.value, result.reading.problem, now, row.id],
    )
    replace_findings(db, row.id, "audit", verdict.findings)
