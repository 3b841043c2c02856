"""``mediashelf audit --json``: one object for each image, with its state and what that rests on."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from mediashelf.catalogue.auditing.audit import AuditResult, Depth
from mediashelf.cli.documents import Each, chosen, document
from mediashelf.cli.library.audit_due import due_dict
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.integrity.fixity.comparing import WORST_FIRST
from mediashelf.integrity.structure.damage import DamageSpan
from mediashelf.jobs.library.auditing import Audit

if TYPE_CHECKING:  # few audits look inside files
    from mediashelf.integrity.inside.contents import ContentsReport


def audit_document(audit: Audit, depth: Depth) -> dict[str, Any]:
    """Return the whole document; ``due`` is in it only with --due."""
    results, due = audit.results, audit.due
    counts = Counter(each.verdict.state for each in results)
    return document(
        "audit",
        depth=depth,
        counts={state: counts[state] for state in WORST_FIRST},
        images=Each(map(_image, results)),
        findings=Each(audit.iter_findings()),
        **({} if due is None else {"due": due_dict(due)}),
    )


def _image(result: AuditResult) -> dict[str, Any]:
    verdict, reading, row = result.verdict, result.reading, result.job.row
    return {
        "file": str(result.job.path),
        "where": result.job.where,
        **chosen(verdict, "state", "basis", "bytes_read"),
        "structure_read": reading.structure_read,
        "files_inside": None if reading.inside_report is None else _inside(reading.inside_report),
        "is_confirmed": verdict.is_confirmed,
        "acknowledged": result.acknowledged,
        "sectors": reading.sectors,
        "digests": {} if reading.digests is None else reading.digests.whole,
        "new_digests": result.new_digests,
        "spans": [_span(result, span) for span in result.spans],
        "touched": [chosen(entry, "path", "size", "touched") for entry in result.touched],
        "same_bytes_as": [chosen(twin, "shelf", "path") for twin in result.twins],
        "record": None if row is None else image_dict(row),
        "findings": verdict.findings,
    }


def _inside(report: ContentsReport) -> dict[str, Any]:
    counts = ("files", "size", "unchecked_files", "unreadable_files", "cut_files")
    return chosen(report, *counts, "nested_archives", formats=report.tallies)


def _span(result: AuditResult, damage: DamageSpan) -> dict[str, Any]:
    first, last = result.lbas(damage.span) or (None, None)
    return damage.span._asdict() | chosen(
        damage, first_lba=first, last_lba=last, severity=damage.severity, rules=damage.rules
    )
