"""The library's answer for a machine: what drives each device, what comes near, what was noted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct

from mediashelf.catalogue.packages.asking import unopened_in
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.findings import check_devices
from mediashelf.drivers.machines.reading import Machine
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.survey import Survey
from mediashelf.drivers.verdict import DriverState
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.checks import as_findings
from mediashelf.jobs.shelves.answering import ShelfAnswer, ask_shelves
from mediashelf.jobs.shelves.kept import readiness
from mediashelf.jobs.shelves.naming_packages import packages_naming
from mediashelf.jobs.shelves.nearest import NearPackage, nearest
from mediashelf.jobs.shelves.notes import BenchNotes, DeviceNote
from mediashelf.readability.targets import Target


class TargetAnswer(Struct, frozen=True):
    """The answer for one target; ``near`` and ``notes`` go by the number of the device from 0."""

    answer: ShelfAnswer
    near: Mapping[int, Sequence[NearPackage]]
    notes: Mapping[int, Sequence[DeviceNote]]

    @property
    def survey(self) -> Survey:
        """What every command shows of drivers."""
        return self.answer.survey

    def image_word(self, index: int) -> str:
        """Return what to know of the image that a device's best package is in, if anything."""
        best = self.survey.covers[index].best
        rows = self.answer.images[best.package] if best is not None else ()
        if not rows or not (readiness(rows[0]) or rows[0].unmet_words):
            return ""
        return rows[0].state_word

    def copies(self, index: int) -> Sequence[str]:
        """Return where else the text of a device's best package is, as whole as there."""
        best = self.survey.covers[index].best
        return self.answer.copies.get(best.package, ()) if best is not None else ()


class LibraryAnswer(Struct, frozen=True):
    """The answers for all targets, with the findings of the devices."""

    targets: tuple[TargetAnswer, ...]
    findings: tuple[Finding, ...]


def cover_machine(
    catalogue: Catalogue, machine: Machine, judged: Sequence[tuple[Target, Family]]
) -> LibraryAnswer:
    """Ask the library for the drivers of a machine, as each target with its family does."""
    notes = BenchNotes(catalogue)
    findings = list(machine.findings)
    answers = []
    named = packages_naming(catalogue, machine.devices)
    for target, family in judged:
        answer = ask_shelves(catalogue, family, target.name, machine.devices, named)
        answers.append(_with_more(catalogue, answer, notes))
        findings += check_devices(answer.survey)
        findings += _check_texts(answer)
    findings += [_not_opened(*one) for one in unopened_in(catalogue.db)]
    return LibraryAnswer(tuple(answers), tuple(dict.fromkeys(findings)))


def _with_more(catalogue: Catalogue, answer: ShelfAnswer, notes: BenchNotes) -> TargetAnswer:
    survey = answer.survey
    near: dict[int, list[NearPackage]] = {}
    noted: dict[int, list[DeviceNote]] = {}
    for index, (cover, verdict) in enumerate(zip(survey.covers, survey.verdicts, strict=True)):
        if verdict.state is DriverState.NONE and not cover.possible:
            near[index] = nearest(catalogue, survey.family, cover.device)
        rows = answer.images[cover.best.package] if cover.best is not None else ()
        noted[index] = notes.about(cover, survey.target, rows)
    return TargetAnswer(answer, near, noted)


def _check_texts(answer: ShelfAnswer) -> Iterator[Finding]:
    """Yield what is wrong with the INFs of packages that devices get, as a scan has read them."""
    for package, text in answer.texts.items():
        yield from as_findings(text.found, package.path)


def _not_opened(where: str, reason: str) -> Finding:
    return Finding(
        "not-opened",
        Severity.WARNING,
        where,
        reason,
        "ask mediashelf drivers about the image itself, or unpack it and ask about the folder",
    )
