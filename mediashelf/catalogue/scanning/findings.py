"""What a person has to act on after a scan: images and folders that could not be recorded."""

from __future__ import annotations

from collections.abc import Sequence

from mediashelf.catalogue.scanning.scan_plan import Event, ScanOutcome, ScanPlan
from mediashelf.findings import Finding, Severity
from mediashelf.text import count_text, first_text

_NAMED = 5


def missing_finding(shelf: str, paths: Sequence[str]) -> Finding:
    """Return what a person has to decide about images that are gone from their shelf."""
    import shlex  # seldom needed

    are, them = ("image is", "it") if len(paths) == 1 else ("images are", "them")
    return Finding(
        "file-is-present",
        Severity.ERROR,
        shelf,
        f"{len(paths):,} {are} missing: {first_text(paths, _NAMED, 'image')}",
        remedy=f"put {them} back; to forget {them}: mediashelf shelf drop "
        f"{shlex.quote(shelf)} --only-missing",
    )


def scan_findings(plan: ScanPlan, outcomes: Sequence[ScanOutcome]) -> list[Finding]:
    """Return the findings of the scan itself; those of the discs are kept with each image."""
    findings = []
    for shelf_plan in plan.shelves:
        if shelf_plan.is_other:  # seldom, and a scan that finds nothing new needs no digests
            from mediashelf.integrity.fixity.findings import other_folder as other_folder_finding

            findings.append(other_folder_finding(shelf_plan.shelf.name, shelf_plan.away))
        if shelf_plan.is_refused:
            name, reason = shelf_plan.shelf.name, shelf_plan.away
            findings.append(_unread_finding(name, reason, shelf_plan.away_count))
        findings += [
            _unread_finding(
                f"{shelf_plan.shelf.name}: {folder}",
                reason,
                shelf_plan.unread_counts.get(folder, 0),
            )
            for folder, reason in shelf_plan.unread_folders.items()
        ]
        findings += [
            _link_finding(f"{shelf_plan.shelf.name}: {path}", is_to_folder)
            for path, is_to_folder in shelf_plan.links.items()
        ]
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


def _unread_finding(where: str, reason: str, image_count: int) -> Finding:
    """Name a folder that is there and closed; an error where images on record are in it."""
    lost = f"; {count_text(image_count, 'image')} on record there not found" if image_count else ""
    return Finding(
        "folder-is-readable",
        Severity.ERROR if image_count else Severity.WARNING,
        where,
        f"this folder could not be looked into: {reason}{lost}",
        remedy="check its permissions and the disk, and scan again; records of images in it are "
        "kept",
    )


def _link_finding(where: str, is_to_folder: bool) -> Finding:
    rule = "link-not-followed"
    if is_to_folder:
        words = "this is a link to a folder, and images in that folder were not looked for"
        remedy = "make the folder that it leads to a shelf of its own: mediashelf shelf add FOLDER"
        return Finding(rule, Severity.NOTE, where, words, remedy=remedy)
    words = "this link leads to no file, so there is no image to read"
    remedy = "make it lead to the image again, or delete it"
    return Finding(rule, Severity.WARNING, where, words, remedy=remedy)
