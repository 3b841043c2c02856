"""What a survey means for the person, as findings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from mediashelf.drivers.classes import systems_drive
from mediashelf.drivers.completeness import FileCheck, FileState, PackageCheck
from mediashelf.drivers.coverage import Candidate, Cover, DeviceCover
from mediashelf.drivers.packages import Fit, Package
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf_checks import check_inf
from mediashelf.formats.inf_models import makers
from mediashelf.formats.inf_systems import choose_models
from mediashelf.text import count_text

RANKING = "how-windows-ranks-driver-packages"
COPYING = "inf-sourcedisksfiles-section"

FIT_WORDS = {
    Fit.FITS: "fits",
    Fit.NO_INFS: "this family takes no INFs",
    Fit.SIGNATURE: "its signature is not for this family",
    Fit.NO_MODELS: "its device sections are for other systems",
    Fit.NO_INSTALL: "it has no install section for this family",
    Fit.FILES_OF_9X: "it installs 9x drivers only",
    Fit.NO_DEVICES: "it names no device",
}


def check_survey(survey: Survey) -> Iterator[Finding]:
    """Yield the findings of one survey, devices first; each names the target where it matters."""
    family = survey.family
    if survey.covers and family.takes_infs and not family.matches_devices:
        yield Finding(
            "devices-not-matched",
            Severity.NOTE,
            f"target {survey.target}",
            f"{family.name} does not look for packages by identifier; pick them by hand",
            source="common practice",
            target=survey.target,
        )
    for number, cover in enumerate(survey.covers, 1):
        for finding in _check_device(survey, cover, number):
            yield replace(finding, target=survey.target)
    for surveyed in survey.packages:
        for finding in _check_package(survey, surveyed):
            yield replace(finding, target=survey.target)
        yield from _check_text(survey, surveyed)


def device_label(cover: DeviceCover, number: int) -> str:
    """Return how findings name a device: its number, place and name."""
    device = cover.device
    slot = f" ({device.slot})" if device.slot else ""
    return f"device {number}{slot} {device_title(cover)}"


def device_title(cover: DeviceCover) -> str:
    """Return the machine's name for a device, else the one that its package has."""
    device = cover.device
    if device.name or cover.best is None or cover.best.match.is_generic:
        return device.title
    return cover.best.offer.model.description or device.title


def _check_device(survey: Survey, cover: DeviceCover, number: int) -> Iterator[Finding]:
    where = device_label(cover, number)
    if cover.cover is Cover.NONE:
        yield _without_driver(survey, cover, where)
    elif cover.cover is Cover.GENERIC and cover.best is not None:
        yield Finding(
            "device-with-generic-driver",
            Severity.WARNING,
            where,
            f"Only {cover.best.package.path} fits, by {cover.best.match.identifier}, "
            "which is a kind of device",
            "add the maker's own package",
            RANKING,
        )
    elif cover.cover is Cover.POSSIBLE:
        names = ", ".join(candidate.package.path for candidate in cover.possible[:3])
        yield Finding(
            "device-board-unknown",
            Severity.WARNING,
            where,
            f"Only some boards with this chip have a driver here ({names}), and the machine's "
            "file does not tell the board",
            "make the file with lspci -nnvmm, which shows the subsystem",
            "identifiers-for-pci-devices",
        )
    elif cover.cover is Cover.DRIVER and _others(cover):
        names = ", ".join(candidate.package.path for candidate in _others(cover)[:3])
        yield Finding(
            "device-board-unknown",
            Severity.NOTE,
            where,
            f"On some boards with this chip {names} may win, and the machine's file does not "
            "tell the board",
            "make the file with lspci -nnvmm, which shows the subsystem",
            "identifiers-for-pci-devices",
        )
    if cover.ties and cover.best is not None:
        others = ", ".join(candidate.package.path for candidate in cover.ties[:3])
        yield Finding(
            "driver-tie",
            Severity.NOTE,
            where,
            f"{cover.best.package.path} and {others} have the same rank, date and version",
            "keep the one that is meant",
            "inf-driverver-directive",
        )


def _others(cover: DeviceCover) -> list[Candidate]:
    """Return what may win for some board, and is not the package that wins anyway."""
    best = cover.best
    return [one for one in cover.possible if best is None or one.package is not best.package]


def _without_driver(survey: Survey, cover: DeviceCover, where: str) -> Finding:
    message = f"No package here names {cover.device.main_id}"
    unfit = survey.unfit_for(cover.device)
    if not survey.family.takes_infs:
        message = f"No package is declared for {cover.device.main_id}"
    elif unfit:
        package, fit = unfit[0]
        message = f"{package.path} names it, but {FIT_WORDS[fit]}"
    severity = Severity.ERROR
    source = RANKING
    if not survey.family.matches_devices or systems_drive(cover.device.class_code):
        severity = Severity.WARNING
        source = "common practice"
    remedy = "add a package for it"
    if not survey.family.takes_infs:
        remedy = 'say provides = ["…"] for the folder of its driver in the recipe'
    elif systems_drive(cover.device.class_code):
        remedy = "nothing if the system drives it itself, as most do for this kind of device"
    return Finding("device-without-driver", severity, where, message, remedy, source)


def _check_package(survey: Survey, surveyed: SurveyedPackage) -> Iterator[Finding]:
    package = surveyed.package
    if survey.family.takes_infs and surveyed.suitability.fit is not Fit.FITS:
        yield Finding(
            "inf-for-other-family",
            Severity.NOTE,
            package.path,
            f"{survey.family.name} takes nothing from it: {FIT_WORDS[surveyed.suitability.fit]}",
            source="inf-version-section, inf-manufacturer-section; signatures from memory",
        )
    # DOS copies files for a system that is installed from it; it installs no INF.
    worst = Severity.ERROR if survey.family.takes_infs else Severity.WARNING
    if surveyed.chosen is not None:
        yield from _check_files(surveyed.chosen, worst)
    if surveyed.rest is not None:
        yield from _check_files(surveyed.rest, Severity.WARNING)
    yield from _check_around(surveyed)
    if surveyed.suitability.fit is Fit.FITS:
        yield from _check_choice(survey, package)


def _check_files(check: PackageCheck, worst: Severity) -> Iterator[Finding]:
    package = check.package
    for file in check.files:
        where = f"{package.path} line {file.needed.line}"
        if file.state in _STATE_FINDINGS:
            yield _STATE_FINDINGS[file.state](file, where, worst)
        elif file.needed.size and file.found_size not in (-1, file.needed.size):
            yield Finding(
                "driver-file-size",
                Severity.NOTE,
                where,
                f"{file.path} has {file.found_size:,} bytes, the INF says {file.needed.size:,}",
                source=COPYING,
            )
    yield from _check_root(check)


def _missing(file: FileCheck, where: str, worst: Severity) -> Finding:
    name = file.needed.name
    if (
        file.needed.cabinet
        and not file.elsewhere
        and file.path.lower().endswith(file.needed.cabinet.lower())
    ):
        message = f"{name} is needed from the cabinet {file.path}, and is not to be had from it"
    else:
        message = f"{name} is needed and is not at {file.path}"
    remedy = "copy it from the maker's own disk"
    if file.elsewhere:
        remedy = (
            f"{file.elsewhere} has the name: move it, or keep the package's folders as they were"
        )
    return Finding("driver-file-missing", worst, where, message, remedy, COPYING)


def _hidden_name(file: FileCheck, where: str, worst: Severity) -> Finding:
    shown = f"as {file.path}" if file.path else "nowhere"
    return Finding(
        "driver-file-name-hidden",
        worst,
        where,
        f"The INF asks for {file.needed.name}, a name that only the Joliet tree has; "
        f"this target sees it {shown}",
        "give the file an 8.3 name and change the INF, or use a target that reads Joliet",
        "Microsoft KB Q142372: without Joliet the 8.3 tree is read",
    )


def _short_name(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-file-short-name",
        Severity.WARNING,
        where,
        f"{file.needed.name} is the short name of {file.path}; the system may make another one",
        "give the file the name that the INF has",
        "common practice",
    )


def _cabinet_unread(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-cabinet-unread",
        Severity.WARNING,
        where,
        f"{file.path} is there, but is no cabinet that can be listed",
        "audit its contents",
        "inf-sourcedisksnames-section",
    )


_STATE_FINDINGS = {
    FileState.MISSING: _missing,
    FileState.HIDDEN_NAME: _hidden_name,
    FileState.SHORT_NAME: _short_name,
    FileState.CABINET_UNREAD: _cabinet_unread,
}


def _check_root(check: PackageCheck) -> Iterator[Finding]:
    moved = [file for file in check.files if file.state is FileState.OTHER_ROOT]
    if moved:
        root = moved[0].path[: -len(moved[0].needed.path)].rstrip("/") or "/"
        yield Finding(
            "driver-files-other-root",
            Severity.WARNING,
            check.package.path,
            f"{count_text(len(moved), 'file')} found only when paths are counted from {root}",
            f"setup will ask for the disk: type {root}, or move the INF there",
            "inf-sourcedisksnames-section",
        )


def _check_around(surveyed: SurveyedPackage) -> Iterator[Finding]:
    """Look at what is beside the files: catalog, tag files, INFs of others."""
    check = surveyed.chosen or surveyed.rest
    if check is None:
        return
    path = surveyed.package.path
    if check.missing_catalog:
        yield Finding(
            "catalog-missing",
            Severity.WARNING,
            path,
            f"The catalog {check.missing_catalog} is not beside the INF, so it counts as unsigned",
            "copy it from the maker's own disk, uncompressed",
            "inf-version-section",
        )
    for tag in check.missing_tags:
        yield Finding(
            "tag-file-missing",
            Severity.WARNING,
            path,
            f"The tag file {tag} is not there; setup may say that this is the wrong disk",
            "copy it from the maker's own disk",
            "inf-sourcedisksnames-section",
        )
    systems = [file for file in check.files if file.state is FileState.FROM_SYSTEM]
    names = dict.fromkeys([*check.not_followed, *(file.path for file in systems)])
    if names:
        yield Finding(
            "inf-of-system-needed",
            Severity.NOTE,
            path,
            f"It builds on {', '.join(names)}, outside the package; "
            f"{count_text(len(systems), 'file')} from there were not looked for",
            "have the system's own disc at hand",
            "inf-version-section, inf-ddinstall-section",
        )


def _check_choice(survey: Survey, package: Package) -> Iterator[Finding]:
    for maker in makers(package.inf):
        choice = choose_models(maker.models, maker.decorations, survey.family.system)
        if choice.is_ambiguous:
            yield Finding(
                "models-choice-unsure",
                Severity.NOTE,
                f"{package.path} line {maker.line}",
                f"[{choice.section}] was taken as the closest; a nearer platform or a nearer "
                "version could each be meant",
                source="inf-manufacturer-section does not say which counts first",
            )


def _check_text(survey: Survey, surveyed: SurveyedPackage) -> Iterator[Finding]:
    """Yield the text's own findings; errors only where a device here gets the package."""
    package = surveyed.package
    for finding in check_inf(package.inf, where=package.path):
        if finding.severity is Severity.ERROR and not surveyed.is_chosen:
            yield replace(finding, severity=Severity.WARNING)
        else:
            yield finding
