"""Mending one image by what the catalogue knows: whose record proves it, and what was mended."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.questions.copies import find_copies
from mediashelf.catalogue.records.waiting import judged_words
from mediashelf.catalogue.store import Catalogue
from mediashelf.findings import Finding
from mediashelf.integrity.mending.mend import TRIES, mend_image
from mediashelf.integrity.mending.values import Mending
from mediashelf.jobs.library.mend_record import (
    Reference,
    Touched,
    find_image,
    find_reference,
    find_touched,
    keep_mending,
    record_findings,
    refuse_absent,
)
from mediashelf.jobs.progress import Progress, no_progress


class MendRequest(Struct, frozen=True):
    """What to mend, and how. ``output`` is None where only the outcome is asked for.

    ``as_name`` and ``as_of`` choose the record: that of another image, that of another day.
    """

    image: str
    copies: tuple[Path, ...] = ()
    output: Path | None = None
    as_name: str | None = None
    as_of: str | None = None
    anyway: bool = False
    replace: bool = False
    tries: int = TRIES


class Mended(Struct, frozen=True):
    """What came of it: the result, the record that it rests on, the entries, the findings."""

    result: Mending
    reference: Reference | None
    touched: Touched
    findings: Sequence[Finding]


def mend_by_catalogue(
    catalogue: Catalogue, request: MendRequest, progress: Progress = no_progress
) -> Mended | None:
    """Mend an image, and keep in its history that it was mended.

    None for an image without a record and without copies: there is nothing to mend it by.
    """
    job = find_image(catalogue, request.image)
    refuse_absent(catalogue, job)
    reference = find_reference(catalogue, job, request.copies, request.as_name, request.as_of)
    if reference is None and not request.copies:
        return None
    record = reference.record if reference is not None else None
    more = [] if reference is None else find_copies(catalogue, reference.row, reference.record)
    size = record.size if record is not None else job.size
    total = size * (1 if request.output is None else 2)
    with progress("mending", total=total) as on_bytes:
        result = mend_image(
            job.path,
            request.copies,
            request.output,
            record=record,
            more_copies=[row.file for row in more],
            anyway=request.anyway,
            replace=request.replace,
            decayed_mtime_ns=_decayed_mtime_ns(job),
            tries=request.tries,
            on_bytes=on_bytes,
        )
    touched = find_touched(catalogue, reference, result)
    findings = (*record_findings(reference), *result.findings)
    keep_mending(catalogue, job, reference, result)
    return Mended(result, reference, touched, findings)


def _decayed_mtime_ns(job: AuditJob) -> int | None:
    """Return the date of an image whose bytes were found decayed or cut, and then got a new one."""
    waiting = job.row.waiting if job.row is not None else None
    return waiting.mtime_ns if waiting is not None and judged_words(waiting) else None
