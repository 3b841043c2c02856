"""Which packages of the whole library drive the devices of a machine?

The catalogue is asked, not the images: they may be away. What it has is judged by the
functions that judge every disc; only one thing differs. Of a library a person takes what
they want, so a package that lacks files comes after any that is whole.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.catalogue.packages.asking import LookedInto, RecordedPackage, looked_into, more_of
from mediashelf.catalogue.packages.packing import PackageMore
from mediashelf.catalogue.rows import ImageRow
from mediashelf.catalogue.store import Catalogue
from mediashelf.collector import collector_paused
from mediashelf.drivers.candidates import Candidate, order
from mediashelf.drivers.coverage import DeviceCover, OfferIndex
from mediashelf.drivers.machines.devices import Device
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Offer, Package, Suitability
from mediashelf.drivers.recorded_values import system_key
from mediashelf.drivers.survey import Survey, SurveyedPackage
from mediashelf.formats.inf.models import Model
from mediashelf.jobs.shelves.kept import readiness
from mediashelf.jobs.shelves.naming_packages import KnownPackages, NamingPackages, packages_naming

_ByInstall = dict[tuple[Package, str], Sequence[str]]

MOST_NAMED = 8
"""Candidates of one device whose names are looked up."""


class ShelfAnswer(Struct, frozen=True):
    """What the library has for one target.

    ``survey`` is of the packages that name a device of the machine. ``images`` are those
    that hold a package, the one to take it from first; ``found`` is its record, and
    ``copies`` are other places of the same text, as whole as it is. ``texts`` has those of the
    packages that some device may get.
    """

    survey: Survey
    looked: LookedInto
    images: Mapping[Package, Sequence[ImageRow]]
    found: Mapping[Package, RecordedPackage]
    copies: Mapping[Package, Sequence[str]]
    texts: Mapping[Package, PackageMore]


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
        known = KnownPackages(system_key(family), *(named or packages_naming(catalogue, devices)))
        return _answer(catalogue, known, family, target, devices)


def _answer(
    catalogue: Catalogue,
    known: KnownPackages,
    family: Family,
    target: str,
    devices: Sequence[Device],
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
        chooser.texts,
    )


def _index(known: KnownPackages, family: Family) -> tuple[OfferIndex, _ByInstall, _ByInstall]:
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


def _by_identifier(known: KnownPackages) -> dict[str, list[Package]]:
    named: defaultdict[str, dict[Package, None]] = defaultdict(dict)
    for row in known.rows:
        if row.package_id in known.packages:
            named[row.identifier][known.packages[row.package_id]] = None
    return {identifier: list(packages) for identifier, packages in named.items()}


class _Chooser:
    """Puts the candidates of a device into the order of a library."""

    def __init__(
        self,
        known: KnownPackages,
        missing: Mapping[tuple[Package, str], Sequence[str]],
    ) -> None:
        self.known = known
        self.missing = missing
        self.ids = {package: package_id for package_id, package in known.packages.items()}
        self.copies: dict[Package, list[str]] = {}
        self.texts: dict[Package, PackageMore] = {}

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
        for cover in covers:
            for one in (*cover.candidates[:1], *cover.possible[:MOST_NAMED]):
                self.texts[one.package] = more[self.ids[one.package]]

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
