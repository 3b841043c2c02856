"""Has every device of a session's machine a driver on the session's discs?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.reading import read_machine
from mediashelf.drivers.packages.families import FAMILIES, choose_family
from mediashelf.drivers.packages.finding import PackagesFound, find_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.survey import survey
from mediashelf.findings import Finding, Severity
from mediashelf.jobs.driver_sources import Source, open_sources
from mediashelf.readability.targets import Target
from mediashelf.sessions.discs.preflight import CheckedDisc
from mediashelf.sessions.plans.session_plan import SessionPlan
from mediashelf.sessions.prepare import MoreChecks


def driver_checks(targets: Mapping[str, Target]) -> MoreChecks:
    """Return the check of a plan's ``[machine] devices`` against all its discs.

    It is made for targets that look for drivers by a device's identifier.
    """

    def check(plan: SessionPlan, discs: Sequence[CheckedDisc]) -> Iterator[Finding]:
        if not plan.machine.devices:
            return
        machine = read_machine(plan.folder / plan.machine.devices)
        yield from (_as_hint(finding) for finding in machine.findings)
        seen = [disc for disc in discs if disc.repeats is None]
        paths = tuple(_file_of(disc) for disc in seen)
        with open_sources(paths) as sources:
            for name in plan.targets:
                # How a target of one's own takes drivers is not known.
                if name not in FAMILIES or not FAMILIES[name].matches_devices:
                    continue
                readers = [
                    (disc, source)
                    for disc, source in zip(seen, sources, strict=True)
                    if name in disc.targets
                ]
                founds = list(_packages(readers, targets[name]))
                result = survey(founds, choose_family(name), name, machine.devices)
                yield from (
                    _as_hint(finding)
                    for finding in check_survey(result)
                    if finding.severity > Severity.NOTE
                )

    return check


def _file_of(disc: CheckedDisc) -> Path:
    """Return the file that holds the disc: of a sheet the raw file, of a recipe the recipe."""
    image = disc.source.image
    return disc.source.file.path if image is None else image.path


def _packages(
    readers: Sequence[tuple[CheckedDisc, Source]], target: Target
) -> Iterator[tuple[PackageTree, PackagesFound]]:
    for disc, source in readers:
        tree = source.tree_for(target)
        if tree is not None:
            tree = replace(tree, prefix=f"disc {disc.position}:")
            yield tree, find_packages(tree)


def _as_hint(finding: Finding) -> Finding:
    """Return the finding as no more than a warning: a session can go on without one driver.

    What a system brings itself lies in its own archives, and is not seen here.
    """
    return replace(finding, severity=min(finding.severity, Severity.WARNING))
