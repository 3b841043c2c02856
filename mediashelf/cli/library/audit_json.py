"""``mediashelf audit --json``: one object for each image, with its state and what that rests on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from mediashelf.catalogue.auditing.audit import AuditResult, Depth
from mediashelf.cli.library.catalogue_rows import image_dict
from mediashelf.integrity.fixity.comparing import WORST_FIRST
from mediashelf.integrity.structure.damage import DamageSpan


def audit_document(results: Sequence[AuditResult], depth: Depth) -> dict[str, Any]:
    """Return the whole document."""
    counts = Counter(each.verdict.state for each in results)
    return {
        "command": "audit",
        "version": 1,
        "depth": depth.value,
        "counts": {state.value: counts[state] for state in WORST_FIRST},
        "images": [_image(each) for each in results],
        "findings": [finding.as_dict() for each in results for finding in each.verdict.findings],
    }


def _image(result: AuditResult) -> dict[str, Any]:
    verdict, reading = result.verdict, result.reading
    return {
        "file": str(result.job.path),
        "where": result.job.where,
        "state": verdict.state.value,
        "basis": verdict.basis,
        "bytes_read": verdict.bytes_read,
        "structure_read": reading.structure_read,
        "files_inside": reading.inside_report.as_dict() if reading.inside_report else None,
        "is_confirmed": verdict.is_confirmed,
        "sectors": (
            {verdict.value: count for verdict, count in reading.sectors.items()}
            if reading.sectors is not None
            else None
        ),
        "digests": reading.digests.whole if reading.digests is not None else {},
        "new_digests": list(result.new_digests),
        "spans": [_span(result, span) for span in result.spans],
        "touched": [
            {"path": entry.path, "size": entry.size, "touched": entry.touched}
            for entry in result.touched
        ],
        "same_bytes_as": [{"shelf": row.shelf, "path": row.path} for row in result.twins],
        "record": image_dict(result.job.row) if result.job.row is not None else None,
        "findings": [finding.as_dict() for finding in verdict.findings],
    }


def _span(result: AuditResult, damage: DamageSpan) -> dict[str, Any]:
    first, last = result.lbas(damage.span) or (None, None)
    return {
        "offset": damage.span.offset,
        "length": damage.span.length,
        "first_lba": first,
        "last_lba": last,
        "severity": damage.severity.word,
        "rules": list(damage.rules),
    }
