"""What a person has to act on after a scan: images and folders that could not be recorded."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.catalogue.scanning.scan import Event, ScanOutcome, ScanPlan
from mediashelf.findings import Finding, Severity


def scan_findings(plan: ScanPlan, outcomes: Sequence[ScanOutcome]) -> list[Finding]:
    """Return the findings of the scan itself; those of the discs are kept with each image."""
    findings = []
    for shelf_plan in plan.shelves:
        for folder, reason in shelf_plan.unread_folders.items():
            findings.append(
                Finding(
                    "folder-is-readable",
                    Severity.WARNING,
                    f"{shelf_plan.shelf.name}: {folder}",
                    f"this folder could not be looked into: {reason}",
                    remedy="make it readable and scan again; records of images in it are kept",
                )
            )
    for outcome in outcomes:
        where = f"{outcome.job.shelf.name}: {outcome.job.seen.path}"
        if outcome.event is Event.UNREADABLE:
            findings.append(
                Finding(
                    "file-is-readable",
                    Severity.ERROR,
                    where,
                    outcome.reading.problem,
                    remedy="check its permissions and the disk; the next scan tries again",
                )
            )
        elif outcome.event is Event.CHANGING:
            findings.append(
                Finding(
                    "file-at-rest",
                    Severity.WARNING,
                    where,
                    "it was written while it was read, so nothing of it was recorded",
                    remedy="scan again when that has ended",
                )
            )
    return findings
