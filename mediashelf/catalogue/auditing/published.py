"""Bytes that are as recorded, and never were those that somebody published a digest of."""

from __future__ import annotations

from msgspec.structs import replace

from mediashelf.catalogue.auditing.values import AuditResult
from mediashelf.catalogue.rows import Expected
from mediashelf.findings import Finding, Severity

RULE = "bytes-as-published"


def with_published(result: AuditResult) -> AuditResult:
    """Add a finding for each published digest that an image never had; the bytes are confirmed."""
    row, verdict = result.job.row, result.verdict
    if row is None or not verdict.is_confirmed:
        return result
    found = tuple(
        _finding(result.job.where, each, row.digests.get(each.algorithm, ""))
        for each in row.expected
        if each.is_met is False
    )
    if not found:
        return result
    return replace(result, verdict=replace(verdict, findings=(*verdict.findings, *found)))


def _finding(where: str, expected: Expected, found: str) -> Finding:
    return Finding(
        RULE,
        Severity.WARNING,
        where,
        f"the bytes never had the {expected.algorithm} that {expected.list_name} publishes: this "
        "is another edition, or was damaged before it was recorded",
        remedy="look for a copy that matches the list",
        source=f"the checksum list {expected.list_name}",
        found=found,
        expected=expected.digest,
    )
