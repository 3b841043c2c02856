"""Tables for the disc itself: which device finds its package where.

Only data: whoever writes pages gives them their form.
"""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.findings import device_title
from mediashelf.drivers.machines.classes import class_words
from mediashelf.drivers.packages.finding import Fit, Package
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.drivers.verdict import DriverVerdict
from mediashelf.formats.inf.models import descriptions, maker_of

DEVICES_NAMED = 20
"""Devices that the row of a package names; families of boards have hundreds."""


class DeviceRow(NamedTuple):
    """One device of the machine: class, name, and where its package is in both trees.

    A path is empty where the tree has none, and both are where there is no package.
    ``install`` is the section, empty for declared packages; ``maker`` is who the INF
    says made it; ``source`` is the name of the tree that holds the package.
    """

    device_class: str
    device: str
    verdict: DriverVerdict
    short_path: str
    long_path: str
    install: str = ""
    maker: str = ""
    source: str = ""


class PackageRow(NamedTuple):
    """One package: its class and maker as the INF says, its devices, both paths, its tree.

    ``more_devices`` counts those after the first :data:`DEVICES_NAMED`.
    ``version`` is date and version of the driver, ``targets`` are those that take it,
    ``missing`` for each of these the files that it does not find.
    """

    device_class: str
    maker: str
    devices: tuple[str, ...]
    short_path: str
    long_path: str
    source: str = ""
    version: str = ""
    targets: tuple[str, ...] = ()
    missing: tuple[tuple[str, ...], ...] = ()
    more_devices: int = 0


def device_rows(survey: Survey) -> list[DeviceRow]:
    """Return a row for each device of the machine, by class and then in the machine's order."""
    rows = [device_row(cover, survey.verdict(cover)) for cover in survey.covers]
    return sorted(rows, key=lambda row: row.device_class.lower())


def package_rows(*surveys: Survey) -> list[PackageRow]:
    """Return a row for each INF package, whatever the machine, by class and then by path.

    ``surveys`` are of one disc or collection for one target each. Classes that differ
    only in case are one.
    """
    rows: dict[tuple[str, str, str], PackageRow] = {}
    classes: dict[str, str] = {}
    for survey in surveys:
        for surveyed in survey.packages:
            row = _package_row(surveyed, survey.target, classes)
            key = (row.source, row.short_path, row.long_path)
            known = rows.get(key)
            if known is not None:
                row = known._replace(
                    targets=known.targets + row.targets, missing=known.missing + row.missing
                )
            rows[key] = row
    return sorted(rows.values(), key=lambda row: (row.device_class.lower(), row.long_path))


def _package_row(surveyed: SurveyedPackage, target: str, classes: dict[str, str]) -> PackageRow:
    package = surveyed.package
    names = descriptions(package.inf)
    own_class = package.inf.version_value("Class")
    version = package.inf.driver_version
    is_taken = surveyed.suitability.fit is Fit.FITS
    checks = [check for check in (surveyed.chosen, surveyed.rest) if check is not None]
    lacking = [file.label for check in checks for file in check.missing] if is_taken else []
    return PackageRow(
        classes.setdefault(own_class.lower(), own_class),
        maker_of(package.inf),
        names[:DEVICES_NAMED],
        *_paths(package),
        package.tree.name,
        f"{version.date_text}, version {version.version_text}" if any(version.date) else "",
        (target,) if is_taken else (),
        (tuple(dict.fromkeys(lacking)),) if is_taken else (),
        max(len(names) - DEVICES_NAMED, 0),
    )


def device_row(cover: DeviceCover, verdict: DriverVerdict) -> DeviceRow:
    """Return the row of one device."""
    words, title = class_words(cover.device.class_code), device_title(cover)
    if cover.cover is Cover.DECLARED:
        declared = cover.declared[0]
        is_short = declared.tree.kind == "iso9660"
        paths = (declared.folder, "") if is_short else ("", declared.folder)
        return DeviceRow(words, title, verdict, *paths, source=declared.tree.name)
    best = cover.best or next(iter(cover.possible), None)
    if best is None:
        return DeviceRow(words, title, verdict, "", "")
    package = best.package
    return DeviceRow(
        words,
        title,
        verdict,
        *_paths(package),
        best.offer.install,
        maker_of(package.inf),
        package.tree.name,
    )


def _paths(package: Package) -> tuple[str, str]:
    """Return the paths of an INF in the short-name tree and in the long-name tree."""
    file = package.file
    if package.tree.kind == "iso9660":
        return file.path, file.hidden_path
    return file.hidden_path, file.path
