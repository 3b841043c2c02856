"""Auditing images against the catalogue: read, judge, and write down, one image after another."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from contextlib import closing

from mediashelf.catalogue.auditing.due import Budget
from mediashelf.catalogue.auditing.judging import judge_image
from mediashelf.catalogue.auditing.names import AuditJob
from mediashelf.catalogue.auditing.recording import share_damage, write_result
from mediashelf.catalogue.auditing.same_bytes import SameBytes
from mediashelf.catalogue.auditing.values import AuditResult, Depth
from mediashelf.catalogue.records.inside import ids_with_inside
from mediashelf.catalogue.records.reading import algorithms_on_record
from mediashelf.catalogue.rows import Presence
from mediashelf.catalogue.scanning.reading.image import read_image
from mediashelf.catalogue.scanning.reading.raw_sectors import RawAudits
from mediashelf.catalogue.scanning.values import Reading
from mediashelf.catalogue.scanning.workers import WORKERS, read_many
from mediashelf.catalogue.schema import transaction
from mediashelf.catalogue.store import Catalogue

__all__ = ["AuditResult", "Depth", "run_audit"]

DEFAULT_ALGORITHM = "xxh3_128"


def run_audit(
    catalogue: Catalogue,
    jobs: Sequence[AuditJob],
    *,
    depth: Depth = Depth.DIGESTS,
    algorithms: Sequence[str] = (),
    past_cache: bool = False,
    workers: int = WORKERS,
    budget: Budget | None = None,
    on_bytes: Callable[[int], None] = lambda count: None,
    on_image: Callable[[str], None] = lambda path: None,
) -> Generator[AuditResult, None, None]:
    """Read the images and yield each verdict, once it is written to the catalogue.

    Nothing on record is replaced: a digest that is right is confirmed with the
    day, one that is not stays what the file is compared with. ``algorithms`` are
    computed in the same pass and put on record beside it where the bytes are
    right. With a ``budget`` the images are read one after the other, and those
    that it leaves are not yielded.
    """
    raw_audits = RawAudits()

    def read(job: AuditJob, count: Callable[[int], None]) -> Reading:
        if budget is None:
            return look(job, count)
        if not budget.may_start(job):
            return Reading()
        reading = look(job, count)
        budget.ended(job)
        return reading

    known_inside = ids_with_inside(catalogue.db)

    def look(job: AuditJob, count: Callable[[int], None]) -> Reading:
        if job.presence is not Presence.HERE:
            return Reading(is_missing=True)
        on_image(job.path.name)
        on_record = algorithms_on_record(job.row.digests if job.row is not None else ())
        return read_image(
            job.path,
            is_sheet=job.is_sheet,
            algorithms=dict.fromkeys([*(on_record or [DEFAULT_ALGORITHM]), *algorithms]),
            files_inside=depth is Depth.CONTENTS,
            past_cache=past_cache,
            to_record=False,
            digests_inside=job.row is not None and job.row.id not in known_inside,
            raw_audits=raw_audits,
            on_bytes=count,
        )

    same_bytes = SameBytes(catalogue)
    workers = workers if budget is None else 1
    with closing(read_many(jobs, read, workers=workers, on_bytes=on_bytes)) as readings:
        for job, reading in readings:
            if budget is not None and job.path in budget.left:
                continue
            result = judge_image(catalogue, same_bytes, job, reading)
            if job.row is not None and catalogue.can_write:
                with transaction(catalogue.db):
                    result = write_result(catalogue, job.row, result, algorithms)
                    share_damage(catalogue.db, job.row, result, same_bytes)
                if result.new_digests and reading.digests is not None:
                    same_bytes.forget(reading.digests.whole.values())
            yield result
