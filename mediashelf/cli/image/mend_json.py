"""``mediashelf mend --json``: what the mended image is, and where each part comes from."""

from __future__ import annotations

from typing import Any

from mediashelf.cli.documents import chosen, document
from mediashelf.integrity.mending.values import CopyReport, Part
from mediashelf.integrity.structure.damage import Span, TouchedEntry
from mediashelf.jobs.library.mending import Mended

_LARGEST_EXACT = 2**53  # the largest number that every reader of JSON keeps


def mend_document(
    mended: Mended,
    dry_run: bool,
) -> dict[str, Any]:
    """Return the whole document.

    ``from`` lists places in ``files``, whose first is the image itself.
    """
    result, reference, touched = mended.result, mended.reference, mended.touched
    return document(
        "mend",
        **chosen(result, "image", "output", dry_run=dry_run),
        **chosen(result, "outcome", "is_written", "size", "block_size", "digests"),
        proved_by=None
        if reference is None
        else chosen(reference.row, "shelf", "path")
        | chosen(reference.record, "recorded_at", "digests"),
        files=map(_file, result.copies),
        parts=map(_part, result.parts),
        touched={"mended": map(_entry, touched.mended), "open": map(_entry, touched.open)},
        findings=mended.findings,
    )


def _file(report: CopyReport) -> dict[str, Any]:
    return {
        "file": report.path,
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
        **chosen(part, "how", "tried", "zeros_won", "disputed"),
        "from": part.sources,
        "changed": map(_span, part.changed),
        # null: more than can be written exactly
        "possible": part.possible if part.possible <= _LARGEST_EXACT else None,
        "sectors_absent": part.absent,
    }


def _span(span: Span) -> dict[str, int]:
    return chosen(span, "offset", "length", "first_lba", "last_lba")


def _entry(entry: TouchedEntry) -> dict[str, Any]:
    return chosen(entry, "path", "size", "touched")
