"""What is wrong with the packages of a survey, as findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from msgspec.structs import replace

from mediashelf.drivers.packages.cabinets import BROKEN_OFF
from mediashelf.drivers.packages.checked_files import FileCheck, FileState, PackageCheck
from mediashelf.drivers.packages.finding import Fit, Package
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.checks import check_inf
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.models import makers
from mediashelf.formats.inf.rules import driver_page
from mediashelf.formats.inf.systems import InfSystem, choose_models
from mediashelf.text import count_text

COPYING = driver_page("INF SourceDisksFiles section")

FIT_WORDS = {
    Fit.FITS: "fits",
    Fit.NO_INFS: "this family takes no INFs",
    Fit.SIGNATURE: "its signature is not for this family",
    Fit.NO_MODELS: "its device sections are for other systems",
    Fit.NO_INSTALL: "it has no install section for this family",
    Fit.FILES_OF_9X: "it installs 9x drivers only",
    Fit.NO_DEVICES: "it names no device",
    Fit.EXCLUDED: "its install section excludes the device (ExcludeID)",
    Fit.OTHER_SECTION: "the section that names it is for another system",
}


def check_package(survey: Survey, surveyed: SurveyedPackage) -> Iterator[Finding]:
    package = surveyed.package
    if survey.family.takes_infs and surveyed.suitability.fit is not Fit.FITS:
        yield Finding(
            "inf-for-other-family",
            Severity.NOTE,
            package.path,
            f"{survey.family.name} takes nothing from it: {FIT_WORDS[surveyed.suitability.fit]}",
            source=driver_page("INF Manufacturer section; signatures from memory"),
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
        is_told = file.state in _STATE_FINDINGS
        if not (is_told or file.needed.size):
            continue  # nearly all
        where = f"{package.path} line {file.needed.line}"
        if is_told:
            yield _STATE_FINDINGS[file.state](file, where, worst)
        elif file.found_size not in (-1, file.needed.size):
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
    remedy = "copy it from the manufacturer's disk"
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
        f"this system sees it {shown}",
        "give the file an 8.3 name and change the INF, or use a system that reads Joliet",
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
        worst,
        where,
        f"{file.needed.name} is needed from {file.path}, which is not a cabinet, is cut short, "
        "is damaged, or goes on in another one that is not beside it",
        "copy it from the manufacturer's disk",
        driver_page("INF SourceDisksNames section"),
    )


def _cut_short(file: FileCheck, where: str, worst: Severity) -> Finding:
    place = f"{file.needed.name} in {file.path}" if file.needed.cabinet else file.path
    least = f"{count_text(file.needed.size, 'byte')}, as the INF says" if file.needed.size else ""
    size = count_text(max(file.found_size, 0), "byte")
    if file.found_size == BROKEN_OFF:
        least, size = "", "less than it says that it holds"
    return Finding(
        "driver-file-cut-short",
        worst,
        where,
        f"{place} has {size}; expected {least or 'contents'}",
        "copy it from the manufacturer's disk",
        COPYING if least else "common practice",
    )


def _past_end(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-file-past-end",
        worst,
        where,
        f"{file.path} is needed, and bytes of it are past the end of the image",
        "copy the image again, or read the disc again",
        "ECMA-119 8.4.8 and 9.1.4; ECMA-167 3/10.5 and 4/14.9",
    )


def _found_above(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "driver-file-found-above",
        worst,
        where,
        f"{file.needed.name} is at {file.path}, outside the INF's folder; its path counts from "
        "there, and no tag file shows that the disk's root is meant",
        "move it to the place below the INF's folder that the INF names",
        driver_page("INF SourceDisksNames section"),
    )


def _no_section(file: FileCheck, where: str, worst: Severity) -> Finding:
    return Finding(
        "needed-section-missing",
        worst,
        where,
        f"Needs names the section {file.needed.name}, which neither this INF nor any that it "
        "includes has",
        "copy the INF again from the manufacturer's disk, with those beside it",
        driver_page("INF DDInstall section"),
    )


_STATE_FINDINGS = {
    FileState.MISSING: _missing,
    FileState.HIDDEN_NAME: _hidden_name,
    FileState.SHORT_NAME: _short_name,
    FileState.CABINET_UNREAD: _cabinet_unread,
    FileState.CUT_SHORT: _cut_short,
    FileState.PAST_END: _past_end,
    FileState.FOUND_ABOVE: _found_above,
    FileState.NO_SECTION: _no_section,
}
"""For the other two faults of the text ``check_inf`` has findings."""


def _check_root(check: PackageCheck) -> Iterator[Finding]:
    moved = [file for file in check.files if file.state is FileState.OTHER_ROOT]
    if not moved:
        return
    roots = Counter(file.path[: -len(file.needed.path)].rstrip("/") or "/" for file in moved)
    for root, count in roots.items():
        yield Finding(
            "driver-files-other-root",
            Severity.WARNING,
            check.package.path,
            f"{count_text(count, 'file')} found only when paths are counted from {root}",
            f"setup will ask for the disk: type {root}, or move the INF there",
            driver_page("INF SourceDisksNames section"),
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
            f"the catalog {check.missing_catalog} is not beside the INF, so it counts as unsigned",
            "copy it from the manufacturer's disk, uncompressed",
            driver_page("INF Version section"),
        )
    for tag in check.missing_tags:
        yield Finding(
            "tag-file-missing",
            Severity.WARNING,
            path,
            f"the tag file {tag} is not there; setup may say that this is the wrong disk",
            "copy it from the manufacturer's disk",
            driver_page("INF SourceDisksNames section"),
        )
    systems = [file for file in check.files if file.state is FileState.FROM_SYSTEM]
    names = dict.fromkeys([*check.not_followed, *(file.path for file in systems)])
    if names:
        count = count_text(len(systems), "file")
        unseen = f"; not looked for: {count} from there" if systems else ""
        yield Finding(
            "inf-of-system-needed",
            Severity.NOTE,
            path,
            f"it builds on {', '.join(names)}, outside the package{unseen}",
            "have the system's own disc at hand",
            driver_page("INF Version section, INF DDInstall section"),
        )


def _check_choice(survey: Survey, package: Package) -> Iterator[Finding]:
    inf, system = package.inf, survey.family.system
    for line, section in unsure_choices(inf, system):
        yield Finding(
            "models-choice-unsure",
            Severity.NOTE,
            f"{package.path} line {line}",
            f"[{section}] was taken as the closest; a nearer platform or a nearer "
            "version could each be meant",
            source=driver_page("INF Manufacturer section does not say which counts first"),
        )


def unsure_choices(inf: Inf, system: InfSystem) -> tuple[tuple[int, str | None], ...]:
    """Return the lines of [Manufacturer] whose section could be another; kept with the text."""
    return inf.once(("unsure", system), lambda: tuple(_unsure(inf, system)))


def _unsure(inf: Inf, system: InfSystem) -> Iterator[tuple[int, str | None]]:
    for maker in makers(inf):
        choice = choose_models(maker.models, maker.decorations, system)
        if choice.is_ambiguous:
            yield maker.line, choice.section


def check_package_text(survey: Survey, surveyed: SurveyedPackage) -> Iterator[Finding]:
    """Yield the text's own findings; errors only where a device here gets the package."""
    package = surveyed.package
    for finding in check_inf(package.inf, where=package.path):
        if finding.severity is Severity.ERROR and not surveyed.is_chosen:
            yield replace(finding, severity=Severity.WARNING)
        else:
            yield finding
