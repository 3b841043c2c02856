"""Bytes on record that never were those that somebody published a digest of."""

from __future__ import annotations

from mediashelf.catalogue.rows import Expected, ImageRow
from mediashelf.findings import Finding, Severity

RULE = "bytes-as-published"


def unmet_findings(row: ImageRow, where: str) -> tuple[Finding, ...]:
    """Return a finding for each published digest that an image never had; ``where`` names it."""
    return tuple(
        _finding(where, each, row.digests.get(each.algorithm, ""))
        for each in row.expected
        if each.is_met is False
    )


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
