"""What is wrong with the packages of a survey, as findings."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from mediashelf.drivers.file_findings import check_files
from mediashelf.drivers.packages.checked_files import FileState
from mediashelf.drivers.packages.finding import Fit, Package
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.checks import check_inf
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.models import makers
from mediashelf.formats.inf.rules import driver_page
from mediashelf.formats.inf.systems import InfSystem, choose_models
from mediashelf.text import count_text

FIT_WORDS = {
    Fit.FITS: "fits",
    Fit.NO_INFS: "this family takes no INFs",
    Fit.SIGNATURE: "its signature is not for this family",
    Fit.UNICODE: "its text is Unicode, and 9x systems read ANSI text only",
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
            source=driver_page("INF Manufacturer section; signatures and encodings from memory"),
        )
    # DOS copies files for a system that is installed from it; it installs no INF.
    worst = Severity.ERROR if survey.family.takes_infs else Severity.WARNING
    if surveyed.chosen is not None:
        yield from check_files(surveyed.chosen, worst)
    if surveyed.rest is not None:
        yield from check_files(surveyed.rest, Severity.WARNING)
    yield from _check_around(surveyed)
    if surveyed.suitability.fit is Fit.FITS:
        yield from _check_choice(survey, package)


def _check_around(surveyed: SurveyedPackage) -> Iterator[Finding]:
    """Look at what is beside the files: catalog, tag files, INFs of others."""
    check = surveyed.chosen or surveyed.rest
    if check is None:
        return
    path = surveyed.package.path
    if name := check.missing_catalog:
        is_there = surveyed.package.tree.find(f"{surveyed.package.folder}/{name}") is not None
        words = "is cut short" if is_there else "is not beside the INF"
        yield Finding(
            "catalog-missing",
            Severity.WARNING,
            path,
            f"the catalog {name} {words}, so it counts as unsigned",
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
