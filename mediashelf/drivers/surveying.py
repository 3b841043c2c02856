"""Looks at the packages of trees for one family, and at what the devices of a machine get."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache

from mediashelf.drivers.candidates import Candidate
from mediashelf.drivers.coverage import DeviceCover, OfferIndex
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.checked_files import PackageCheck
from mediashelf.drivers.packages.completeness import judge_completeness
from mediashelf.drivers.packages.dos_packages import DosPackage, find_dos_packages
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import (
    Package,
    PackagesFound,
    Suitability,
    sections_to_check,
    suitability,
)
from mediashelf.drivers.packages.old_packages import find_old_packages
from mediashelf.drivers.packages.tree import PackageTree
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.formats.inf.models_read import identifiers_named
from mediashelf.formats.inf.source_files import source_folders


def survey(
    founds: Sequence[tuple[PackageTree, PackagesFound]],
    family: Family,
    target: str,
    devices: Sequence[Device] | None = None,
) -> Survey:
    """Look at the packages of trees as ``family`` does; ``devices`` is None without a machine."""
    packages = [package for _, found in founds for package in found.packages]
    wanted = wanted_by(tuple(devices or ()))
    suited = dict(_suited(packages, family, wanted))
    dos_packages = tuple(
        dos
        for tree, found in founds
        for dos in find_dos_packages(tree, found, target, is_dos=not family.takes_infs)
    )
    covers = _covers(suited, family, devices or (), dos_packages)
    checks = _checks(covers, suited, family)

    def look() -> tuple[SurveyedPackage, ...]:
        chosen = _chosen_installs(covers)
        has_machine = devices is not None
        return tuple(
            _surveyed(package, suited[package], family, chosen, has_machine=has_machine)
            for package in packages
        )

    return Survey(
        target=target,
        family=family,
        trees=tuple(tree for tree, _ in founds),
        look=look,
        others=tuple(package for _, found in founds for package in found.others),
        dos_packages=dos_packages,
        old_packages=tuple(old for tree, found in founds for old in find_old_packages(tree, found)),
        covers=covers,
        has_machine=devices is not None,
        by_identifier=_by_identifier(packages, wanted),
        missing={key: [one.label for one in each.missing] for key, each in checks.items()},
        of_system={key: each.of_system for key, each in checks.items()},
    )


def _suited(
    packages: Iterable[Package], family: Family, wanted: frozenset[str]
) -> Iterator[tuple[Package, Suitability]]:
    """Yield what each package offers; texts keep the answers to all that is asked of them later."""
    for package in packages:
        identifiers_named(package.inf, wanted)
        source_folders(package.inf)
        yield package, suitability(package, family, wanted)


def cover_devices(
    founds: Sequence[tuple[PackageTree, PackagesFound]], family: Family, devices: Sequence[Device]
) -> tuple[DeviceCover, ...]:
    """Return only what INFs drive each device, without looking at any file."""
    packages = [package for _, found in founds for package in found.packages]
    wanted = wanted_by(tuple(devices))
    suited = {package: suitability(package, family, wanted) for package in packages}
    return _covers(suited, family, devices, ())


def _covers(
    suited: Mapping[Package, Suitability],
    family: Family,
    devices: Sequence[Device],
    dos_packages: Sequence[DosPackage],
) -> tuple[DeviceCover, ...]:
    index = OfferIndex(((package, one.offers) for package, one in suited.items()), family)
    declared = [dos for dos in dos_packages if dos.identifiers]
    return tuple(index.cover(device, declared) for device in devices)


def _chosen_installs(covers: Iterable[DeviceCover]) -> dict[Package, set[str]]:
    chosen: defaultdict[Package, set[str]] = defaultdict(set)
    for cover in covers:
        # Where the board is unknown, every package that may win must be whole.
        wanted: tuple[Candidate, ...] = cover.candidates[:1] + cover.possible
        for candidate in wanted:
            chosen[candidate.package].add(candidate.offer.install.lower())
    return chosen


def _surveyed(
    package: Package,
    suited: Suitability,
    family: Family,
    chosen: dict[Package, set[str]],
    *,
    has_machine: bool,
) -> SurveyedPackage:
    system, installs = sections_to_check(package, family, suited)
    wanted = chosen.get(package, set())
    first: list[str] = []
    others: list[str] = []
    for name in installs:  # one by one: an INF can have 10,000
        (first if not has_machine or name.lower() in wanted else others).append(name)
    return SurveyedPackage(
        package,
        suited,
        judge_completeness(package, first, system, family) if first else None,
        judge_completeness(package, others, system, family, looks_inside=False) if others else None,
    )


def _checks(
    covers: Iterable[DeviceCover], suited: Mapping[Package, Suitability], family: Family
) -> dict[tuple[Package, str], PackageCheck]:
    """Return what is found for the install section that each device gets, and no other."""
    checks: dict[tuple[Package, str], PackageCheck] = {}
    for cover in covers:
        if cover.best is None:
            continue
        package, install = cover.best.package, cover.best.offer.install
        if (package, install) not in checks:
            system, _ = sections_to_check(package, family, suited[package])
            checks[package, install] = judge_completeness(package, [install], system, family)
    return checks


@lru_cache(4)  # the same object each time, by which texts keep what they answered
def wanted_by(devices: tuple[Device, ...]) -> frozenset[str]:
    """Return every identifier that some device has."""
    return frozenset(
        identifier
        for device in devices
        for identifier in (*device.hardware_ids, *device.compatible_ids)
    )


def _by_identifier(packages: Iterable[Package], wanted: frozenset[str]) -> dict[str, list[Package]]:
    named: defaultdict[str, list[Package]] = defaultdict(list)
    for package in packages:
        for identifier in identifiers_named(package.inf, wanted):
            named[identifier].append(package)
    return dict(named)
