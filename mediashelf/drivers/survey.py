"""One question, answered whole: has every device of this machine a driver here, and is it whole?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property

from msgspec import Struct, field

from mediashelf.drivers.candidates import Candidate, excluded_ids
from mediashelf.drivers.coverage import Cover, DeviceCover
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.checked_files import PackageCheck
from mediashelf.drivers.packages.dos_packages import DosPackage
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Fit, Package, Suitability
from mediashelf.drivers.packages.old_packages import OldPackage
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.verdict import DriverVerdict, decide

TEXT_SETUP_BEFORE = (6, 0)
"""First NT version whose setup has no text mode (common practice)."""


class SurveyedPackage(Struct, frozen=True):
    """One INF package: what it offers, and how whole it is.

    ``chosen`` is the check of the install sections that devices of the machine get
    (of all sections where no machine is known), ``rest`` that of the others. Either
    is None when there are none.
    """

    package: Package
    suitability: Suitability
    chosen: PackageCheck | None
    rest: PackageCheck | None

    @property
    def is_chosen(self) -> bool:
        """Whether a device of the machine gets this package."""
        return self.chosen is not None


class Survey(Struct, frozen=True, dict=True):
    """Everything known about some trees, for one target and perhaps one machine.

    ``covers`` has one row for each device in order; ``has_machine`` tells an empty
    machine from none. ``look`` looks at every package, which not all who ask of devices need.
    """

    target: str
    family: Family
    trees: tuple[PackageTree, ...]
    look: Callable[[], tuple[SurveyedPackage, ...]]
    others: tuple[Package, ...]
    dos_packages: tuple[DosPackage, ...]
    old_packages: tuple[OldPackage, ...] = ()
    covers: tuple[DeviceCover, ...] = ()
    has_machine: bool = True
    by_identifier: Mapping[str, Sequence[Package]] = field(default_factory=dict)
    missing: Mapping[tuple[Package, str], Sequence[str]] = field(default_factory=dict)
    of_system: Mapping[tuple[Package, str], Sequence[str]] = field(default_factory=dict)

    @cached_property
    def packages(self) -> tuple[SurveyedPackage, ...]:
        """All packages, looked at for the first who asks."""
        return self.look()

    def verdict(self, cover: DeviceCover) -> DriverVerdict:
        """Return whether the device is covered; whatever tells it to people asks here."""
        if cover.cover is not Cover.DRIVER or cover.best is None:
            return decide(cover.cover)
        key = (cover.best.package, cover.best.offer.install)
        return decide(cover.cover, self.missing_of(cover.best), self.of_system.get(key, ()))

    def missing_of(self, candidate: Candidate) -> Sequence[str]:
        """Return the files that a candidate lacks, where it was looked for them."""
        return self.missing.get((candidate.package, candidate.offer.install), ())

    @property
    def verdicts(self) -> list[DriverVerdict]:
        """The verdict of each device in order."""
        return [self.verdict(cover) for cover in self.covers]

    def old_for(self, device: Device) -> Iterator[OldPackage]:
        """Yield the packages in older forms that name the device, where the system loads such."""
        system = self.family.system
        if self.family.takes_infs and system.is_nt and system.version < TEXT_SETUP_BEFORE:
            own = {*device.hardware_ids, *device.compatible_ids}
            yield from (old for old in self.old_packages if own.intersection(old.identifiers))

    def unfit_for(self, device: Device) -> list[tuple[Package, Fit]]:
        """Return the packages that name the device but offer it nothing here, and why."""
        named = dict.fromkeys(
            package
            for identifier in (*device.hardware_ids, *device.compatible_ids)
            for package in self.by_identifier.get(identifier, ())
        )
        if not named:
            return []
        cover = next((cover for cover in self.covers if cover.device is device), None)
        has_offer = (
            {one.package for one in (*cover.candidates, *cover.possible)} if cover else set()
        )
        fits = {one.package: one.suitability.fit for one in self.packages if one.package in named}
        own = {*device.hardware_ids, *device.compatible_ids}
        return [
            (package, self._why_not(package, own) if fits[package] is Fit.FITS else fits[package])
            for package in named
            if package not in has_offer
        ]

    def _why_not(self, package: Package, own: set[str]) -> Fit:
        """Return why a package that fits and names a device of these ids is not for it."""
        offered = (one.suitability.offers for one in self.packages if one.package is package)
        installs = {offer.install for offers in offered for offer in offers}
        installs |= {install for known, install in self.missing if known is package}
        is_excluded = any(own & excluded_ids(package, install) for install in installs)
        return Fit.EXCLUDED if is_excluded else Fit.OTHER_SECTION
