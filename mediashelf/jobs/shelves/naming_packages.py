"""The packages of the library that name a machine's devices, and how one system takes them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from msgspec import Struct, field

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
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.finding import Fit, Package
from mediashelf.drivers.recorded_values import KeptInstall
from mediashelf.formats.collector import collector_paused
from mediashelf.jobs.shelves.kept import kept_package, kept_tree, readiness


class NamingPackages(NamedTuple):
    """What the catalogue has of a machine's identifiers, whatever system asks.

    ``rows`` are the places that name one; ``found`` are the packages, and ``images`` those
    that hold them, the one to take them from first.
    """

    rows: list[NamedModel]
    found: dict[int, RecordedPackage]
    images: dict[int, list[ImageRow]]


class KnownPackages(Struct):
    """Packages as the catalogue has them and as one system takes them."""

    system: str
    rows: list[NamedModel]
    found: dict[int, RecordedPackage]
    images: dict[int, list[ImageRow]]
    packages: dict[int, Package] = field(default_factory=dict)
    installs: dict[int, dict[int, KeptInstall]] = field(default_factory=dict)
    sections: dict[int, frozenset[int]] = field(default_factory=dict)
    fits: dict[int, Fit] = field(default_factory=dict)

    def __post_init__(self) -> None:
        trees = {source_id: kept_tree(rows[0]) for source_id, rows in self.images.items()}
        bases: defaultdict[int, set[int]] = defaultdict(set)
        for row in self.rows:
            bases[row.package_id].add(row.base)
        for package_id, one in self.found.items():
            if one.facts is None or one.source_id not in trees:
                continue
            view = one.facts.view_of(self.system, bases[package_id])
            self.packages[package_id] = kept_package(one, trees[one.source_id], view)
            installs = view.installs if view is not None else ()
            self.installs[package_id] = {install.base: install for install in installs}
            self.sections[package_id] = frozenset(view.sections if view is not None else ())
            self.fits[package_id] = view.fit if view is not None else Fit.NO_INFS

    def images_of(self, package_id: int) -> list[ImageRow]:
        """Return the images that hold a package, the one to take it from first."""
        return self.images[self.found[package_id].source_id]

    def install_of(self, row: NamedModel) -> KeptInstall | None:
        """Return the install section that the system takes for an entry, or None."""
        if row.section not in self.sections.get(row.package_id, ()):
            return None
        return self.installs[row.package_id].get(row.base)


def packages_naming(catalogue: Catalogue, devices: Sequence[Device]) -> NamingPackages:
    """Return the packages that name a device, once for all systems."""
    with collector_paused():
        identifiers = {
            identifier
            for device in devices
            for identifier in (*device.hardware_ids, *device.compatible_ids)
        }
        rows = models_naming(catalogue.db, identifiers)
        for device in devices:
            if device.function is not None and device.function.subsystem is None:
                rows += models_of_chip(catalogue.db, device.main_id)
        found = packages_by_id(catalogue.db, (row.package_id for row in rows))
        images = images_with(catalogue.db, (one.source_id for one in found.values()))
        for listed in images.values():
            listed.sort(key=lambda row: (readiness(row), row.shelf.lower(), row.path))
        return NamingPackages(rows, found, images)
