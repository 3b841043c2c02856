"""Tables for the disc itself: which device finds its package where, and what a disc lost.

Only data: whoever writes pages gives them their form.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from mediashelf.drivers.classes import class_words
from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.findings import device_title
from mediashelf.drivers.packages import Package
from mediashelf.drivers.survey import Survey
from mediashelf.formats.inf_models import all_models


class DeviceRow(NamedTuple):
    """One device of the machine: class, name, and where its package is in both trees.

    A path is empty where the tree has none, and both are where there is no package.
    ``install`` is the section, empty for declared packages.
    """

    device_class: str
    device: str
    cover: Cover
    short_path: str
    long_path: str
    install: str = ""


class PackageRow(NamedTuple):
    """One package: its class and maker as the INF says, its devices, and both paths."""

    device_class: str
    maker: str
    devices: tuple[str, ...]
    short_path: str
    long_path: str


def device_rows(survey: Survey) -> list[DeviceRow]:
    """Return a row for each device of the machine, by class and then in the machine's order."""
    rows = [_device_row(cover) for cover in survey.covers]
    return sorted(rows, key=lambda row: row.device_class)


def package_rows(survey: Survey) -> list[PackageRow]:
    """Return a row for each INF package, whatever the machine, by class and then by path."""
    rows = []
    for surveyed in survey.packages:
        inf = surveyed.package.inf
        models = list(all_models(inf))
        names = dict.fromkeys(model.description for model in models)
        maker = inf.version_value("Provider") or (models[0].manufacturer if models else "")
        short_path, long_path = _paths(surveyed.package)
        rows.append(
            PackageRow(inf.version_value("Class"), maker, tuple(names), short_path, long_path)
        )
    return sorted(rows, key=lambda row: (row.device_class.lower(), row.long_path))


def _device_row(cover: DeviceCover) -> DeviceRow:
    words, title = class_words(cover.device.class_code), device_title(cover)
    if cover.cover is Cover.DECLARED:
        folder = cover.declared[0].folder
        is_short = cover.declared[0].tree.kind == "iso9660"
        return DeviceRow(
            words, title, cover.cover, folder if is_short else "", "" if is_short else folder
        )
    best = cover.best or next(iter(cover.possible), None)
    if best is None:
        return DeviceRow(words, title, cover.cover, "", "")
    return DeviceRow(words, title, cover.cover, *_paths(best.package), best.offer.install)


def _paths(package: Package) -> tuple[str, str]:
    """Return the paths of an INF in the short-name tree and in the long-name tree."""
    file = package.file
    if package.tree.kind == "iso9660":
        return file.path, file.hidden_path
    return file.hidden_path, file.path


def lost_devices(before: Iterable[DeviceCover], after: Iterable[DeviceCover]) -> list[DeviceCover]:
    """Return the covers of devices that had a driver before and have none after.

    Both must be of the same machine, in its order; a driver that became only a
    generic or a possible one counts as lost.
    """
    good = (Cover.DRIVER, Cover.DECLARED)
    return [
        old
        for old, new in zip(before, after, strict=True)
        if old.cover in good and new.cover not in good
    ]
