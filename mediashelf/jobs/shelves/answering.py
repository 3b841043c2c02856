"""Which packages of the whole library drive the devices of a machine?

The catalogue is asked, not the images: they may be away. What it has is judged by the
functions that judge every disc; only one thing differs. Of a library a person takes what
they want, so a package that lacks files comes after any that is whole.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from msgspec import Struct, field
from msgspec.structs import replace

from mediashelf.catalogue.packages.asking import (
    LookedInto,
    NamedModel,
    RecordedPackage,
    images_with,
    looked_into,
    models_naming,
    models_of_chip,
    more_of,
    packages_by_id,
)
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.drivers.candidates import Candidate, order
from mediashelf.drivers.coverage import DeviceCover, OfferIndex
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Fit, Offer, Package, Suitability
from mediashelf.drivers.recorded_values import KeptInstall, system_key
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.formats.collector import collector_paused
from mediashelf.formats.inf.models import Model
from mediashelf.jobs.shelves.kept import kept_package, kept_tree, readiness

_ByInstall = dict[tuple[Package, str], Sequence[str]]

MOST_NAMED = 8
"""Candidates of one device whose names are looked up."""


class ShelfAnswer(Struct, frozen=True):
    """What the library has for one target.

    ``survey`` is of the packages that name a device of the machine. ``images`` are those
    that hold a package, the one to take it from first; ``found`` is its record, and
    ``copies`` are other places of the same text, as whole as it is.
    """

    survey: Survey
    looked: LookedInto
    images: Mapping[Package, Sequence[ImageRow]]
    found: Mapping[Package, RecordedPackage]
    copies: Mapping[Package, Sequence[str]]


class NamingPackages(NamedTuple):
    """What the catalogue has of a machine's identifiers, whatever system asks.

    ``rows`` are the places that name one; ``found`` are the packages, and ``images`` those
    that hold them, the one to take them from first.
    """

    rows: list[NamedModel]
    found: dict[int, RecordedPackage]
    images: dict[int, list[ImageRow]]


class _Known(Struct):
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


def ask_shelves(
    catalogue: Catalogue,
    family: Family,
    target: str,
    devices: Sequence[Device],
    named: NamingPackages | None = None,
) -> ShelfAnswer:
    """Return what the library has for a machine, as ``family`` chooses drivers.

    ``named`` is what :func:`packages_naming` said of the same devices.
    """
    with collector_paused():
        known = _Known(system_key(family), *(named or packages_naming(catalogue, devices)))
        return _answer(catalogue, known, family, target, devices)


def _answer(
    catalogue: Catalogue, known: _Known, family: Family, target: str, devices: Sequence[Device]
) -> ShelfAnswer:
    index, missing, of_system = _index(known, family)
    chooser = _Chooser(known, missing)
    index.order = chooser.place
    covers = chooser.named(catalogue, [chooser.choose(index.cover(one)) for one in devices])
    ids = chooser.ids
    survey = Survey(
        target=target,
        family=family,
        trees=tuple({package.tree.name: package.tree for package in ids}.values()),
        look=lambda: tuple(
            SurveyedPackage(package, Suitability(known.fits[package_id]), None, None)
            for package, package_id in ids.items()
        ),
        others=(),
        dos_packages=(),
        covers=covers,
        by_identifier=_by_identifier(known),
        missing=missing,
        of_system=of_system,
    )
    return ShelfAnswer(
        survey,
        looked_into(catalogue.db),
        {package: known.images_of(package_id) for package, package_id in ids.items()},
        {package: known.found[package_id] for package, package_id in ids.items()},
        chooser.copies,
    )


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


def _index(known: _Known, family: Family) -> tuple[OfferIndex, _ByInstall, _ByInstall]:
    """Return the offers, and of each install section what it lacks and what the system has."""
    index = OfferIndex((), family)
    missing: _ByInstall = {}
    of_system: _ByInstall = {}
    offers: dict[tuple[int, int], Offer] = {}
    for row in dict.fromkeys(known.rows):
        install = known.install_of(row)
        if install is None:
            continue
        package = known.packages[row.package_id]
        missing[package, install.name] = install.missing
        of_system[package, install.name] = install.of_system
        offer = offers.get((row.package_id, row.number))
        if offer is None:
            model = Model("", "", "", install.name, "", (), row.number)
            offer = offers[row.package_id, row.number] = Offer(model, install.name)
        if not row.place:
            offer = offer._replace(model=offer.model._replace(hardware_id=row.identifier))
        index.add(package, offer, row.identifier, row.place)
    return index, missing, of_system


def _by_identifier(known: _Known) -> dict[str, list[Package]]:
    named: defaultdict[str, dict[Package, None]] = defaultdict(dict)
    for row in known.rows:
        if row.package_id in known.packages:
            named[row.identifier][known.packages[row.package_id]] = None
    return {identifier: list(packages) for identifier, packages in named.items()}


class _Chooser:
    """Puts the candidates of a device into the order of a library."""

    def __init__(
        self,
        known: _Known,
        missing: Mapping[tuple[Package, str], Sequence[str]],
    ) -> None:
        self.known = known
        self.missing = missing
        self.ids = {package: package_id for package_id, package in known.packages.items()}
        self.copies: dict[Package, list[str]] = {}

    def choose(self, cover: DeviceCover) -> DeviceCover:
        """Return the candidates, each text once."""
        return replace(
            cover,
            candidates=tuple(self._distinct(cover.candidates)),
            possible=tuple(self._distinct(cover.possible)),
        )

    def place(self, candidate: Candidate) -> tuple[object, ...]:
        """Return what candidates are sorted by.

        What is whole goes first; then rank, date and version; then images that are here
        and not known to be bad.
        """
        rank, date, version, name, path = order(candidate)
        row = self.known.images_of(self.ids[candidate.package])[0]
        is_generic = candidate.match.is_generic
        lacks = bool(self._lacks(candidate))
        return is_generic, lacks, rank, date, version, readiness(row), name, path

    def _lacks(self, candidate: Candidate) -> Sequence[str]:
        return self.missing.get((candidate.package, candidate.offer.install), ())

    def _distinct(self, candidates: Iterable[Candidate]) -> Iterator[Candidate]:
        """Yield one of those whose texts are the same and which lack the same."""
        seen: dict[object, Package] = {}
        for candidate in candidates:
            package = candidate.package
            first = seen.setdefault((package.digest, tuple(self._lacks(candidate))), package)
            if first is package:
                yield candidate
            elif package.path not in self.copies.setdefault(first, []):
                self.copies[first].append(package.path)

    def named(self, catalogue: Catalogue, covers: Sequence[DeviceCover]) -> tuple[DeviceCover, ...]:
        """Return the same covers, with the device names of the first candidates of each."""
        first = [one for cover in covers for one in self._first(cover)]
        more = more_of(catalogue.db, [self.ids[one.package] for one in first])

        def name(candidates: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
            return (
                tuple(
                    replace(
                        one, offer=_with_name(one.offer, more[self.ids[one.package]].descriptions)
                    )
                    for one in candidates[:MOST_NAMED]
                )
                + candidates[MOST_NAMED:]
            )

        return tuple(
            replace(cover, candidates=name(cover.candidates), possible=name(cover.possible))
            for cover in covers
        )

    def _first(self, cover: DeviceCover) -> tuple[Candidate, ...]:
        return cover.candidates[:MOST_NAMED] + cover.possible[:MOST_NAMED]


def _with_name(offer: Offer, names: Sequence[str]) -> Offer:
    return offer._replace(model=offer.model._replace(description=names[offer.model.line]))
