"""A scan, and the keeper's word that changed images are right."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct, field

from mediashelf.catalogue.rows import ImageRow, Presence, ShelfRow, kept_number
from mediashelf.catalogue.scanning.planning import plan_scan
from mediashelf.catalogue.scanning.presence import FileSystems
from mediashelf.catalogue.scanning.scan_plan import Job, ScanOutcome, ScanPlan, ShelfPlan
from mediashelf.catalogue.scanning.walk import SeenImage
from mediashelf.catalogue.store import Catalogue
from mediashelf.errors import InputError
from mediashelf.findings import Finding, Severity
from mediashelf.integrity.fixity.states import State
from mediashelf.jobs.progress import Progress, no_progress
from mediashelf.jobs.shelves.recording import look_into_images
from mediashelf.system import real_path

if TYPE_CHECKING:  # a scan that finds nothing new needs no digests
    from mediashelf.integrity.fixity.ahead import DigestsAhead


class Scan(Struct):
    """What was planned, and what came of it so far; it grows while images are read.

    ``findings`` are filled at the end: what could not be read, every image that is missing
    from these shelves, and every one whose bytes wait beside its record. With
    ``opens_archives`` driver packages are looked for in archives inside images as well.
    """

    plan: ScanPlan
    outcomes: list[ScanOutcome] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    is_accepting: bool = False
    opens_archives: bool = False
    failed: list[InputError] = field(default_factory=list)


def plan_shelves(
    catalogue: Catalogue,
    names: Sequence[str],
    on_shelf: Callable[[ShelfRow], None] = lambda shelf: None,
) -> Scan:
    """Look at the shelves of these names, or at all, for what is to be read.

    A name that is of no shelf does not keep the others from it, unless it is the only one.
    """
    named: dict[int, ShelfRow] = {}
    failed: list[InputError] = []
    for name in names:
        try:
            row = catalogue.shelf(name)
        except InputError as error:
            failed.append(error)
            continue
        named[row.id] = row
    if failed and not named:
        raise failed[0]
    shelves = list(named.values()) or catalogue.needed_shelves("scan")
    return Scan(plan_scan(catalogue, shelves, on_shelf), failed=failed)


def plan_accepting(catalogue: Catalogue, names: Sequence[str]) -> Scan:
    """Name the images that the keeper accepts as they are.

    A shelf, folder or pattern means its images that are changed and wait; one that was found
    decayed or cut must be named itself.
    """
    # Loaded only here: most scans are asked to accept nothing.
    from mediashelf.catalogue.auditing.names import plan_audit
    from mediashelf.catalogue.keeping.naming import means_many
    from mediashelf.catalogue.records.waiting import judged_words

    shelves = {shelf.name: ShelfPlan(shelf) for shelf in catalogue.shelves()}
    file_systems = FileSystems()
    scan = Scan(ScanPlan(), is_accepting=True)
    for name in names:
        jobs = plan_audit(catalogue, [name])
        is_shelf = name.lower() in {each.lower() for each in shelves}
        is_image = not is_shelf and not Path(name).is_dir()
        for job in jobs:
            row = job.row
            if is_image and (row is None or not means_many(name, row)):
                row = _named(name, row, job.presence)
            elif row is None or row.waiting is None or job.presence is not Presence.HERE:
                continue
            elif row.state != State.CHANGED or judged_words(row.waiting):
                scan.findings.append(_not_accepted(row))
                continue
            plan = shelves[row.shelf]
            if all(known.row is None or known.row.id != row.id for known in plan.jobs):
                plan.jobs.append(Job(plan.shelf, _seen(row, file_systems), row, accept=True))
    scan.plan.shelves = [plan for plan in shelves.values() if plan.jobs]
    return scan


def _named(name: str, row: ImageRow | None, presence: Presence) -> ImageRow:
    if row is None:
        raise InputError(f"{name}: is not on record; scan its shelf first")
    if presence is not Presence.HERE:
        raise InputError(f"{name}: is {presence.value}; only an image that is here can be accepted")
    return row


def _not_accepted(row: ImageRow) -> Finding:
    from mediashelf.catalogue.records.waiting import judged_words

    assert row.waiting is not None
    state = row.waiting.judged if judged_words(row.waiting) else row.state
    return Finding(
        "bytes-as-recorded",
        Severity.ERROR,
        row.where,
        f"not accepted with its shelf: it was found {state}",
        remedy="if its bytes are right all the same, name the image itself after --accept",
    )


def _seen(row: ImageRow, file_systems: FileSystems) -> SeenImage:
    try:
        status = row.file.stat()
    except OSError as error:
        raise InputError(f"{row.file}: cannot be read: {error.strerror or error}") from error
    place = file_systems.nearest(real_path(row.file))
    return SeenImage(row.path, status.st_size, kept_number(status.st_mtime_ns), place, row.is_sheet)


def read_planned(
    catalogue: Catalogue,
    scan: Scan,
    progress: Progress = no_progress,
) -> None:
    """Read what the plan names; what is done when it is stopped is in ``scan.outcomes``."""
    if scan.plan.jobs:
        _read(catalogue, scan, progress)
    for plan in scan.plan.shelves:
        with progress("looking for driver packages", unit="image") as on_image:
            look_into_images(catalogue, plan.shelf, is_deep=scan.opens_archives, on_image=on_image)
    if scan.outcomes or not all(map(_is_as_before, scan.plan.shelves)):
        scan.findings += _findings(catalogue, scan)


def _is_as_before(plan: ShelfPlan) -> bool:
    """Tell whether the walk of a shelf met nothing that a person has to act on."""
    return not (
        plan.is_other
        or plan.is_refused
        or plan.unread_folders
        or plan.links
        or plan.missing
        or plan.missing_before
        or plan.waiting
    )


def _findings(catalogue: Catalogue, scan: Scan) -> Iterator[Finding]:
    # Loaded only here: after most scans there is nothing to be said.
    from mediashelf.catalogue.records.waiting import waiting_finding
    from mediashelf.catalogue.scanning.findings import missing_finding, scan_findings

    yield from scan_findings(scan.plan, scan.outcomes)
    for plan in scan.plan.shelves if not scan.is_accepting else ():
        rows = catalogue.images(shelf=plan.shelf.name, state=Presence.MISSING)
        if rows:
            yield missing_finding(plan.shelf.name, [row.path for row in rows])
    yield from map(waiting_finding, _waiting(catalogue, scan))


def _read(catalogue: Catalogue, scan: Scan, progress: Progress) -> None:
    plan, is_deep = scan.plan, scan.opens_archives
    jobs = plan.jobs
    with _digests_ahead(jobs) as ahead:
        # Loaded only here: most scans find nothing to read. What reads begins with that meanwhile.
        from mediashelf.jobs.shelves.reading_processes import ReadingProcesses

        with (
            ReadingProcesses(jobs, with_packages=not is_deep) as processes,
            progress("scanning", total=plan.bytes_to_read) as on_bytes,
        ):
            from mediashelf.catalogue.scanning.scan import run_scan
            from mediashelf.jobs.shelves.first_look import packages_of

            try:
                steps = run_scan(
                    catalogue,
                    plan,
                    look_for_packages=None if is_deep else packages_of,
                    ahead=ahead,
                    elsewhere=processes.submit if processes else None,
                    on_bytes=on_bytes,
                    on_file=on_bytes.show,
                )
                with closing(steps) as running:
                    scan.outcomes.extend(running)
            finally:
                _forget_moved(scan)  # also of a run that was stopped: what moved is not missing


_LARGE = 8 << 20
"""Bytes of a file that takes longer than it takes to have a thread for it."""


def _digests_ahead(jobs: Sequence[Job]) -> DigestsAhead:
    from mediashelf.integrity.fixity.ahead import DigestsAhead, WantedDigests

    large = takewhile(lambda job: job.seen.size >= _LARGE, jobs)
    return DigestsAhead(WantedDigests(job.file, job.algorithms) for job in large)


def _forget_moved(scan: Scan) -> None:
    moved = {each.origin for each in scan.outcomes if each.origin}
    for plan in scan.plan.shelves:
        plan.missing = [path for path in plan.missing if f"{plan.shelf.name}: {path}" not in moved]


def _waiting(catalogue: Catalogue, scan: Scan) -> list[ImageRow]:
    """Return the images on the shelves of a scan, or those to be accepted, that still wait."""
    asked = {(each.job.shelf.name, each.job.seen.path) for each in scan.outcomes}
    return [
        row
        for plan in scan.plan.shelves
        for row in catalogue.waiting_on(plan.shelf)
        if not scan.is_accepting or (row.shelf, row.path) in asked
    ]
