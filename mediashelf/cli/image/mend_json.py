"""``mediashelf mend --json``: what the mended image is, and where each part comes from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mediashelf.findings import Finding
from mediashelf.integrity.mending.values import CopyReport, Mending, Part
from mediashelf.integrity.structure.damage import Span, TouchedEntry
from mediashelf.jobs.mend_record import Reference, Touched

_LARGEST_EXACT = 2**53  # the largest number that every reader of JSON keeps


def mend_document(
    result: Mending,
    reference: Reference | None,
    touched: Touched,
    findings: Sequence[Finding],
    dry_run: bool,
) -> dict[str, Any]:
    """Return the whole document.

    ``from`` lists places in ``files``, whose first is the image itself.
    """
    return {
        "command": "mend",
        "version": 1,
        "image": str(result.image),
        "output": str(result.output) if result.output is not None else None,
        "dry_run": dry_run,
        "outcome": result.outcome.value,
        "is_written": result.is_written,
        "size": result.size,
        "block_size": result.block_size,
        "digests": result.digests,
        "proved_by": None
        if reference is None
        else {
            "shelf": reference.row.shelf,
            "path": reference.row.path,
            "recorded_at": reference.record.recorded_at,
            "digests": reference.record.digests,
        },
        "files": [_file(report) for report in result.copies],
        "parts": [_part(part) for part in result.parts],
        "touched": {
            "mended": [_entry(entry) for entry in touched.mended],
            "open": [_entry(entry) for entry in touched.open],
        },
        "findings": [finding.as_dict() for finding in findings],
    }


def _file(report: CopyReport) -> dict[str, Any]:
    return {
        "file": str(report.path),
        "size": report.size,
        "sectors_given": report.given,
        "sectors_unreadable": report.unreadable,
        "sectors_blank": report.blank,
        "sectors_overruled": report.overruled,
        "blocks_sampled": report.sampled,
        "blocks_sampled_right": report.sampled_right,
    }


def _part(part: Part) -> dict[str, Any]:
    return {
        **_span(part.span),
        "how": part.how.value,
        "from": list(part.sources),
        "changed": [_span(span) for span in part.changed],
        "tried": part.tried,
        # null: more than can be written exactly
        "possible": part.possible if part.possible <= _LARGEST_EXACT else None,
        "sectors_absent": part.absent,
        "zeros_won": part.zeros_won,
        "disputed": part.disputed,
    }


def _span(span: Span) -> dict[str, int]:
    return {
        "offset": span.offset,
        "length": span.length,
        "first_lba": span.first_lba,
        "last_lba": span.last_lba,
    }


def _entry(entry: TouchedEntry) -> dict[str, Any]:
    return {"path": entry.path, "size": entry.size, "touched": entry.touched}
