"""``show --report``: a page about an image, and what a machine finds on it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from mediashelf.cli.report_file import CREATED_BY, moment_text, write_report
from mediashelf.drivers.device_table import device_rows
from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.reading import Machine, read_machine
from mediashelf.drivers.packages.families import FAMILIES, choose_family
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.survey import Survey, survey
from mediashelf.image import DiscImage
from mediashelf.jobs.discs.driver_sources import OpenedImageSource
from mediashelf.readability.check import check_targets, verdict_on
from mediashelf.readability.targets import Target
from mediashelf.reports.disc.page import DiscSubject, disc_html
from mediashelf.reports.disc.tables import Coverage


def write_image_page(
    path: Path, image: DiscImage, targets: Sequence[Target], machine_path: Path | None
) -> None:
    """Write the page of an open image: for each target who reads it, and what drives the machine.

    Raises :class:`InputError` for a machine's file that cannot be read, and
    :class:`OutputError`.
    """
    findings = list(image.findings)
    verdicts = []
    for target, found in check_targets(image.facts, targets):
        verdicts.append((target.name, str(verdict_on(found))))
        findings += found
    coverage = []
    state = "structures read; contents of files not read"
    if machine_path is not None:
        machine = read_machine(machine_path)
        findings += machine.findings
        state = "structures and driver texts read; contents of other files not read"
        for result in _surveys(image, targets, machine):
            coverage.append(Coverage(result.target, tuple(device_rows(result))))
            findings += check_survey(result)
    subject = DiscSubject(
        name=str(image.path),
        facts=image.facts,
        findings=list(dict.fromkeys(findings)),
        state=state,
        verdicts=verdicts,
        coverage=coverage,
    )
    write_report(path, disc_html(subject, created=moment_text(), created_by=CREATED_BY))


def _surveys(image: DiscImage, targets: Sequence[Target], machine: Machine) -> Iterator[Survey]:
    """Yield what each target finds, where its driver family is known."""
    source = OpenedImageSource(image)
    for target in targets:
        tree = source.tree_for(target)
        if tree is not None and target.name in FAMILIES:
            founds = [(tree, find_packages(tree))]
            yield survey(founds, choose_family(target.name), target.name, machine.devices)
