"""Surveys of drivers as the documented JSON shape.

::

    {"command": "drivers", "version": 1,
     "machine": {"name": …, "devices": [{"number", "slot", "name", "class", "line",
                 "hardware_ids": […], "compatible_ids": […]}, …]} or null,
     "targets": [{"target", "family", "release", "architecture",
                  "sources": [{"source", "tree", "files"}, …],
                  "devices": [{"number", "name", "cover", "by",
                               "missing": [name, …], "of_system": [name, …],
                               "package": candidate or null,
                               "others": [candidate, …], "possible": […],
                               "declared": [folder, …],
                               "unfit": [{"source", "inf", "fit"}, …]}, …],
                  "packages": [{"source", "inf", "signature", "date", "driver_version",
                                "fit", "is_chosen", "files": [{"name", "path", "state",
                                "line"}, …], "builds_on": […]}, …],
                  "dos_packages": [{"source", "folder", "kind", "files", "texts",
                                    "provides"}, …],
                  "old_packages": [{"source", "path", "kind", "names", "identifiers",
                                    "files", "missing": [path, …] or null}, …],
        "other_infs": [{"source", "inf", "kind"}, …]}, …],
     "findings": […]}

A candidate has ``source``, ``inf``, ``section``, ``description``, ``identifier``,
``rank`` (a number: ``identifier_score`` with ``feature_score`` << 16 where the family
has one, else null), ``is_generic``, ``date``, ``driver_version``, and, when it lost,
``lost_by`` (``rank``, ``date``, ``version``, ``tie`` or ``lacks-files``). ``cover`` is ``covered``,
``incomplete`` (``missing`` has the names of the files, and in parentheses what is wrong
with one that is there) or ``none``; ``of_system`` are files that the system's own disc
has to have, which nothing here shows. ``by`` is how the
device was met: ``driver``, ``generic``, ``declared``, ``possible`` or ``none``. With
``--explain`` only the devices that were asked for are listed under ``targets``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from mediashelf.cli.documents import chosen, document
from mediashelf.drivers.candidates import Candidate, reason_lost
from mediashelf.drivers.coverage import DeviceCover
from mediashelf.drivers.findings import device_title
from mediashelf.drivers.machines.classes import class_words
from mediashelf.drivers.machines.reading import Machine
from mediashelf.drivers.packages.finding import Package
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.findings import Finding


def driver_document(
    surveys: Sequence[Survey],
    machine: Machine | None,
    findings: Sequence[Finding],
    picked: Sequence[int],
) -> dict[str, Any]:
    """Return the whole answer; ``picked`` are the devices to list, all when empty."""
    return document(
        "drivers",
        machine=None if machine is None else machine_json(machine),
        targets=[survey_json(survey, picked) for survey in surveys],
        findings=findings,
    )


def machine_json(machine: Machine) -> dict[str, Any]:
    """Return a machine with its devices."""
    return {
        "name": machine.name,
        "devices": [
            {
                "number": number,
                "slot": device.slot,
                "name": device.title,
                "class": class_words(device.class_code),
                **chosen(device, "line", "hardware_ids", "compatible_ids"),
            }
            for number, device in enumerate(machine.devices, 1)
        ],
    }


def survey_json(survey: Survey, picked: Sequence[int] = ()) -> dict[str, Any]:
    """Return what one target finds; ``picked`` are the devices to list, all when empty."""
    family = survey.family
    major, minor = family.system.version
    return {
        "target": survey.target,
        "family": family.name,
        "release": f"{major}.{minor}" if family.releases else "",
        "architecture": family.system.architecture,
        "sources": [
            {
                "source": tree.name,
                "tree": tree.kind,
                "files": tree.seen_count,
            }
            for tree in survey.trees
        ],
        "devices": [
            _cover(survey, cover, index + 1)
            for index, cover in enumerate(survey.covers)
            if not picked or index in picked
        ],
        "packages": [_package(surveyed) for surveyed in survey.packages],
        "dos_packages": [
            {
                "source": package.tree.name,
                "folder": package.folder,
                "kind": package.kind.name.lower(),
                "files": package.files,
                "texts": package.texts,
                "provides": package.identifiers,
            }
            for package in survey.dos_packages
        ],
        "old_packages": [
            {
                "source": old.tree.name,
                "path": old.file.shown_path,
                "kind": old.kind.name.lower(),
                **chosen(old, "names", "identifiers", "files", "missing"),
            }
            for old in survey.old_packages
        ],
        "other_infs": [
            {**_place(package), "kind": package.inf.kind.value} for package in survey.others
        ],
    }


def _cover(survey: Survey, cover: DeviceCover, number: int) -> dict[str, Any]:
    best = cover.best
    verdict = survey.verdict(cover)
    return {
        "number": number,
        "name": device_title(cover),
        "cover": verdict.state.value,
        "by": verdict.by.value,
        "missing": verdict.missing,
        "of_system": verdict.of_system,
        "package": None if best is None else _candidate(best),
        "others": [
            {**_candidate(other), "lost_by": reason_lost(other, best).value}
            for other in cover.candidates[1:]
            if best is not None
        ],
        "possible": [_candidate(candidate) for candidate in cover.possible],
        "declared": [package.folder for package in cover.declared],
        "unfit": [
            {**_place(package), "fit": fit.value} for package, fit in survey.unfit_for(cover.device)
        ],
    }


def _candidate(candidate: Candidate) -> dict[str, Any]:
    return {
        **_place(candidate.package),
        "section": candidate.offer.install,
        "description": candidate.offer.model.description,
        "identifier": candidate.match.identifier,
        "rank": candidate.rank,
        "identifier_score": candidate.match.score,
        "feature_score": candidate.feature,
        "is_generic": candidate.match.is_generic,
        "date": candidate.driver_version.date_text if any(candidate.driver_version.date) else "",
        "driver_version": candidate.driver_version.version_text,
    }


def _place(package: Package) -> dict[str, str]:
    return {"source": package.tree.name, "inf": package.file.shown_path}


def _package(surveyed: SurveyedPackage) -> dict[str, Any]:
    package = surveyed.package
    version = package.inf.driver_version
    checks = [check for check in (surveyed.chosen, surveyed.rest) if check is not None]
    files = {
        (file.needed.path.lower(), file.needed.cabinet.lower()): file
        for check in reversed(checks)
        for file in check.files
    }
    return {
        **_place(package),
        "signature": package.inf.version_value("Signature"),
        "date": version.date_text if any(version.date) else "",
        "driver_version": version.version_text,
        "fit": surveyed.suitability.fit.value,
        "is_chosen": surveyed.is_chosen,
        "files": [
            {
                "name": file.needed.name,
                "path": file.path,
                "state": file.state.value,
                "line": file.needed.line,
            }
            for file in files.values()
        ],
        "builds_on": sorted({name for check in checks for name in check.not_followed}),
    }
