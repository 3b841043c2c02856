"""An audit: what was asked for, which images are due, and what was found of each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from msgspec import Struct

from mediashelf.catalogue.auditing.audit import AuditResult, Depth, run_audit
from mediashelf.catalogue.auditing.due import Budget, DuePlan, plan_due
from mediashelf.catalogue.auditing.names import AuditJob, plan_audit
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError
from mediashelf.findings import Finding
from mediashelf.jobs.library.acknowledging import acknowledge_findings, take_back_findings
from mediashelf.jobs.progress import Progress, no_progress


class AuditRequest(Struct, frozen=True):
    """What to audit, and how; ``due`` and ``budget`` are seconds, None where not asked for.

    ``acknowledge`` and ``take_back`` are rules whose findings of the named images the
    keeper lives with, for the reason ``why``, or no longer does.
    """

    names: Sequence[str] = ()
    depth: Depth = Depth.DIGESTS
    algorithms: Sequence[str] = ()
    past_cache: bool = False
    due: int | None = None
    budget: int | None = None
    acknowledge: Sequence[str] = ()
    why: str = ""
    take_back: Sequence[str] = ()


class DueRun(Struct, frozen=True):
    """What was due and what came of it; ``age`` and ``seconds`` are those that were asked for."""

    age: int
    seconds: int | None
    plan: DuePlan
    budget: Budget | None

    @property
    def left(self) -> list[AuditJob]:
        """The images that the budget left for the next time."""
        return list(self.budget.left.values()) if self.budget is not None else []


class Audit(Struct, frozen=True):
    """The verdicts; ``due`` is None unless only what is due was asked for.

    ``is_kept`` is False where the catalogue could not be written, so nothing was confirmed.
    ``failed`` are the names that mean nothing here; the others were audited. ``unlisted``
    names the folders in which images without a record could not be looked for.
    """

    results: Sequence[AuditResult]
    due: DueRun | None
    is_kept: bool = True
    failed: Sequence[InputError] = ()
    unlisted: Sequence[Finding] = ()

    @property
    def findings(self) -> list[Finding]:
        """What :meth:`iter_findings` yields."""
        return list(self.iter_findings())

    def iter_findings(self) -> Iterator[Finding]:
        """Yield what was found of all images, then of folders."""
        for each in self.results:
            yield from each.verdict.findings
        yield from self.unlisted


def audit_library(
    catalogue: Catalogue, request: AuditRequest, progress: Progress = no_progress
) -> Audit:
    """Read the images that are meant, or due, and keep what was found of each."""
    if request.acknowledge:
        acknowledge_findings(catalogue, request.names, request.acknowledge, request.why)
    if request.take_back:
        take_back_findings(catalogue, request.names, request.take_back)
    if not request.names:
        catalogue.needed_shelves("audit")
    unlisted: list[Finding] = []
    jobs, failed = _plan(catalogue, request.names, unlisted)
    due = None
    if request.due is not None:
        plan = plan_due(jobs, timedelta(seconds=request.due))
        budget = Budget(request.budget) if request.budget is not None else None
        jobs, due = plan.jobs, DueRun(request.due, request.budget, plan, budget)
    # The files inside have at most about as many bytes as their image.
    passes = 2 if request.depth is Depth.CONTENTS else 1
    total = passes * sum(job.size for job in jobs)
    with (
        progress("auditing", total=total) as on_bytes,
        closing(
            run_audit(
                catalogue,
                jobs,
                depth=request.depth,
                algorithms=request.algorithms,
                past_cache=request.past_cache,
                budget=due.budget if due is not None else None,
                on_bytes=on_bytes,
                on_image=on_bytes.show,
            )
        ) as running,
    ):
        results = list(running)
    is_kept = catalogue.can_write or not any(each.job.row for each in results)
    return Audit(results, due, is_kept, failed, unlisted)


def _plan(
    catalogue: Catalogue, names: Sequence[str], unlisted: list[Finding]
) -> tuple[Sequence[AuditJob], list[InputError]]:
    """Return what the names mean; one that means nothing does not keep the others from it."""
    if len(names) < 2:
        return plan_audit(catalogue, names, unlisted), []
    jobs: dict[Path, AuditJob] = {}
    failed: list[InputError] = []
    for name in names:
        try:
            jobs.update({job.path: job for job in plan_audit(catalogue, [name], unlisted)})
        except InputError as error:
            failed.append(error)
    return list(jobs.values()), failed
