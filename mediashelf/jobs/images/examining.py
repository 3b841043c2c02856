"""What can be said of an opened image for targets and a machine: who reads it, what it drives."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct

from mediashelf.drivers.findings import check_survey
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.machines.reading import read_machine
from mediashelf.drivers.packages.families import choose_family
from mediashelf.drivers.packages.finding import find_packages
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.surveying import survey
from mediashelf.findings import Finding
from mediashelf.image import DiscImage
from mediashelf.jobs.discs.driver_sources import OpenedImageSource
from mediashelf.jobs.driver_families import family_name, say_no_family
from mediashelf.readability.check import check_targets, verdict_on
from mediashelf.readability.targets import Target


class ExaminedImage(Struct, frozen=True):
    """Each target's verdict and survey of the machine's drivers, and each finding once."""

    verdicts: tuple[tuple[str, str], ...]
    surveys: tuple[Survey, ...]
    findings: tuple[Finding, ...]


def examine_image(
    image: DiscImage, targets: Sequence[Target], machine_path: Path | None
) -> ExaminedImage:
    """Ask an image what each target reads of it and what a machine finds on it.

    Raises :class:`InputError` for a machine's file that cannot be read, and
    :class:`TargetError` for a driver family that there is not.
    """
    findings = list(image.findings)
    verdicts = []
    for target, found in check_targets(image.facts, targets):
        verdicts.append((target.name, str(verdict_on(found, image.findings))))
        findings += found
    surveys = []
    if machine_path is not None:
        machine = read_machine(machine_path)
        findings += machine.findings
        for answer in _surveys(image, targets, machine.devices):
            if isinstance(answer, Finding):
                findings.append(answer)
                continue
            surveys.append(answer)
            findings += check_survey(answer)
    return ExaminedImage(tuple(verdicts), tuple(surveys), tuple(dict.fromkeys(findings)))


def _surveys(
    image: DiscImage, targets: Sequence[Target], devices: Sequence[Device]
) -> Iterator[Survey | Finding]:
    """Yield what each target finds, or that no driver family is known for it."""
    source = OpenedImageSource(image)
    for target in targets:
        family = family_name(target)
        tree = source.tree_for(target)
        if family is None:
            yield say_no_family(target)
        elif tree is not None:
            founds = [(tree, find_packages(tree))]
            yield survey(founds, choose_family(family), target.name, devices)
