"""What comes nearest to a driver for a device that has none in the library."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import NamedTuple

from mediashelf.catalogue.packages.asking import (
    NamedModel,
    RecordedPackage,
    images_with,
    models_naming,
    models_of_chip,
    packages_by_id,
)
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.candidates import names_device
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.families import FAMILIES, Family
from mediashelf.drivers.recorded_values import system_key
from mediashelf.jobs.shelves.kept import image_name, readiness
from mediashelf.text import first_text

MOST_OF_A_KIND = 3


class NearKind(StrEnum):
    """In which way a package is not the one."""

    OTHER_BOARD = "other-board"  # for this system, and for another board with the chip
    OTHER_SYSTEM = "other-system"
    BY_HAND = "by-hand"  # without a driver INF; its own files name the device


class NearPackage(NamedTuple):
    """One package that comes near: the image that holds it, and what to know of it."""

    kind: NearKind
    image: ImageRow
    package: RecordedPackage
    words: str

    @property
    def path(self) -> str:
        """Where it is, for people."""
        return f"{image_name(self.image)}:{self.package.path}"


def nearest(catalogue: Catalogue, family: Family, device: Device) -> list[NearPackage]:
    """Return what the library has for the chip of a device, other boards and systems first."""
    own = [text for text in (*device.hardware_ids, *device.compatible_ids) if names_device(text)]
    own = own or list(device.hardware_ids)
    rows = models_naming(catalogue.db, [*own, device.main_id])
    if device.function is not None:
        rows += models_of_chip(catalogue.db, device.main_id)
    found = packages_by_id(catalogue.db, (row.package_id for row in rows))
    images = images_with(catalogue.db, (one.source_id for one in found.values()))
    near: dict[tuple[str, str], NearPackage] = {}
    for row in rows:
        package = found[row.package_id]
        listed = images.get(package.source_id)
        if listed:
            for one in _near(package, row, listed, family, set(own)):
                near.setdefault((one.path, one.words), one)
    ordered = sorted(near.values(), key=lambda one: _age(one.package))
    return [
        one
        for kind in NearKind
        for one in [one for one in ordered if one.kind is kind][:MOST_OF_A_KIND]
    ]


def _near(
    package: RecordedPackage,
    row: NamedModel,
    images: Sequence[ImageRow],
    family: Family,
    own: set[str],
) -> Iterator[NearPackage]:
    image = min(images, key=readiness)
    if package.other is not None:
        yield NearPackage(
            NearKind.BY_HAND, image, package, f"{package.other.kind}; its files name the chip"
        )
        return
    assert package.facts is not None
    if not family.takes_infs:
        return
    systems = [
        system
        for view in package.facts.views
        if row.section in view.sections and any(row.base == one.base for one in view.installs)
        for system in view.systems
    ]
    if row.identifier in own:
        if systems and system_key(family) not in systems:
            yield NearPackage(NearKind.OTHER_SYSTEM, image, package, f"for {_families(systems)}")
    elif system_key(family) in systems:
        yield NearPackage(NearKind.OTHER_BOARD, image, package, f"for {_board(row.identifier)}")


def _age(package: RecordedPackage) -> tuple[int, ...]:
    date = package.facts.version.date if package.facts is not None else (0, 0, 0)
    return tuple(-part for part in date)


def _families(systems: Sequence[str]) -> str:
    """Return system keys as words: ``win9x, nt5 on amd64``."""
    releases = {
        f"{major}.{minor}": family.name
        for family in FAMILIES.values()
        for major, minor in family.releases
    }
    names: dict[str, None] = {}
    for system in systems:
        release, _, architecture = system.partition("/")
        name = releases.get(release, system)
        names[name if architecture in ("", "x86") else f"{name} on {architecture}"] = None
    # What is said of a family on its usual processor holds for the others as well.
    plain = [name for name in names if name.partition(" on ")[0] not in names or " " not in name]
    return first_text(plain, 4, "system")


def _board(identifier: str) -> str:
    match = re.search(r"SUBSYS_([0-9A-F]{4})([0-9A-F]{4})", identifier)
    return f"subsystem {match[2]}:{match[1]}".lower() if match else identifier
