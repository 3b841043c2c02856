"""What a survey means for the person, as findings; those of packages are next door."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec.structs import replace

from mediashelf.drivers.candidates import Candidate
from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.machines.classes import systems_drive
from mediashelf.drivers.package_findings import FIT_WORDS, check_package, check_package_text
from mediashelf.drivers.packages.catalogs import has_catalog
from mediashelf.drivers.packages.finding import Fit, Package
from mediashelf.drivers.survey import Survey
from mediashelf.findings import Finding, Severity
from mediashelf.formats.inf.rules import driver_page

NOT_MATCHED = "devices-not-matched"
RANKING = driver_page("How Windows Ranks Driver Packages")


def check_survey(survey: Survey) -> Iterator[Finding]:
    """Yield the findings of one survey, devices first; each names the target where it matters."""
    yield from check_devices(survey)
    # What INFs say matters to no system that takes none.
    for surveyed in survey.packages if survey.family.takes_infs else ():
        for finding in check_package(survey, surveyed):
            yield replace(finding, target=survey.target)
        yield from check_package_text(survey, surveyed)
    yield from _several_versions(survey)


def check_devices(survey: Survey) -> Iterator[Finding]:
    """Yield what is to be said of the devices of a survey."""
    family = survey.family
    if survey.covers and family.takes_infs and not family.matches_devices:
        yield Finding(
            NOT_MATCHED,
            Severity.NOTE,
            f"system {survey.target}",
            f"{family.name} does not look for packages by identifier",
            "pick the driver by hand from the folder of its package",
            source="common practice",
            target=survey.target,
        )
    for number, cover in enumerate(survey.covers, 1):
        for finding in _check_device(survey, cover, number):
            yield replace(finding, target=survey.target)


def _several_versions(survey: Survey) -> Iterator[Finding]:
    """Yield packages that are here in a later version as well, for the same devices."""
    copies: dict[tuple[str, int], list[Package]] = {}
    for surveyed in survey.packages if survey.family.takes_infs else ():
        package = surveyed.package
        suited = surveyed.suitability
        if suited.fit is Fit.FITS:
            key = (package.file.name.lower(), suited.identity)
            copies.setdefault(key, []).append(package)
    for packages in copies.values():
        latest = max(packages, key=lambda package: package.inf.driver_version)
        version = latest.inf.driver_version
        for package in packages:
            own = package.inf.driver_version
            if own != version:
                yield Finding(
                    "package-in-several-versions",
                    Severity.NOTE,
                    package.path,
                    f"it is of {own.date_text}, version {own.version_text}; {latest.path}, for the "
                    f"same devices, is of {version.date_text}, version {version.version_text}",
                    "keep the one that is meant",
                    driver_page("INF DriverVer directive"),
                    target=survey.target,
                )


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
            f"only {cover.best.package.path} fits, by {cover.best.match.identifier}, "
            "which is a kind of device",
            "add the manufacturer's package",
            RANKING,
        )
    elif cover.cover is Cover.POSSIBLE:
        names = ", ".join(candidate.package.path for candidate in cover.possible[:3])
        yield Finding(
            "device-board-unknown",
            Severity.WARNING,
            where,
            f"only some boards with this chip have a driver here ({names}), and the machine's "
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
            f"on some boards with this chip {names} may win, and the machine's file does not "
            "tell the board",
            "make the file with lspci -nnvmm, which shows the subsystem",
            "identifiers-for-pci-devices",
        )
    yield from _by_signature(survey, cover, where)
    if cover.ties and cover.best is not None:
        others = ", ".join(candidate.package.path for candidate in cover.ties[:3])
        yield Finding(
            "driver-tie",
            Severity.NOTE,
            where,
            f"{cover.best.package.path} and {others} have the same rank, date and version",
            "keep the one that is meant",
            driver_page("INF DriverVer directive"),
        )


def _by_signature(survey: Survey, cover: DeviceCover, where: str) -> Iterator[Finding]:
    """Yield the packages that may be signed where the one that wins here surely is not."""
    system = survey.family.system
    best = cover.best
    if not survey.family.wants_catalogs or best is None or has_catalog(best.package, system):
        return
    signed = [one.package.path for one in cover.candidates[1:] if has_catalog(one.package, system)]
    if signed:
        yield Finding(
            "driver-choice-by-signature",
            Severity.NOTE,
            where,
            f"{best.package.path} has no catalog and counts as unsigned; if the catalog beside "
            f"{', '.join(signed[:3])} is valid, that one wins, whatever its rank here",
            "keep the one that is meant",
            RANKING,
        )


def _others(cover: DeviceCover) -> list[Candidate]:
    """Return what may win for some board, and is not the package that wins anyway."""
    best = cover.best
    return [one for one in cover.possible if best is None or one.package is not best.package]


def _without_driver(survey: Survey, cover: DeviceCover, where: str) -> Finding:
    message = f"no package here names {cover.device.main_id}"
    unfit = survey.unfit_for(cover.device)
    if not survey.family.takes_infs:
        message = f"no package is declared for {cover.device.main_id}"
    elif unfit:
        package, fit = unfit[0]
        message = f"{package.path} names it, but {FIT_WORDS[fit]}"
    severity = Severity.ERROR
    by_hand = next(survey.old_for(cover.device), None)
    if by_hand is not None:
        return Finding(
            "device-without-driver",
            Severity.WARNING,
            where,
            f"only {by_hand.path} names it, a {by_hand.kind}: {by_hand.state_words}",
            "load it by hand from a floppy disk during text-mode setup",
            'Windows Driver Kit, "TxtSetup.oem File Format"',
        )
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
