"""Which package drives which device: the candidates for each, best first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct

from mediashelf.drivers.candidates import Candidate, Match, excluded_ids, feature_score, order
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Offer, Package

if TYPE_CHECKING:  # a scan records packages, and knows no device
    from mediashelf.drivers.machines.devices import Device
    from mediashelf.drivers.packages.dos_packages import DosPackage


class Cover(StrEnum):
    """What a device has."""

    DRIVER = "driver"
    GENERIC = "generic"  # only a package for its kind of device
    DECLARED = "declared"  # the recipe says that a DOS-style package drives it
    POSSIBLE = "possible"  # a package for some board with its chip; which board is unknown
    NONE = "none"


class DeviceCover(Struct, frozen=True):
    """One device with its candidates, the best first.

    ``possible`` are packages for boards with the device's chip, listed where the
    machine's file does not tell which board it is. ``declared`` are DOS-style
    packages for it.
    """

    device: Device
    candidates: tuple[Candidate, ...] = ()
    possible: tuple[Candidate, ...] = ()
    declared: tuple[DosPackage, ...] = ()

    @property
    def best(self) -> Candidate | None:
        """The candidate that wins, or None."""
        return self.candidates[0] if self.candidates else None

    @property
    def cover(self) -> Cover:
        """What the device has."""
        if self.best is not None and not self.best.match.is_generic:
            return Cover.DRIVER
        if self.declared:
            return Cover.DECLARED
        if self.possible:
            return Cover.POSSIBLE
        return Cover.GENERIC if self.best is not None else Cover.NONE

    @property
    def ties(self) -> tuple[Candidate, ...]:
        """Other candidates of exactly the best one's rank, date and version."""
        if self.best is None:
            return ()
        key = (self.best.rank, self.best.driver_version)
        return tuple(
            other for other in self.candidates[1:] if (other.rank, other.driver_version) == key
        )


class _Entry(NamedTuple):
    package: Package
    offer: Offer
    in_inf: bool
    inf_position: int


class OfferIndex:
    """Every identifier that packages offer to one family, ready to be looked up."""

    def __init__(self, offers: Iterable[tuple[Package, Sequence[Offer]]], family: Family) -> None:
        self._family = family
        self.order: Callable[[Candidate], tuple[object, ...]] = order
        self._entries: defaultdict[str, list[_Entry]] = defaultdict(list)
        self._boards: defaultdict[str, list[_Entry]] = defaultdict(list)
        for package, listed in offers:
            for offer in listed:
                self._add(package, offer)

    def _add(self, package: Package, offer: Offer) -> None:
        model = offer.model
        if model.hardware_id:
            self.add(package, offer, model.hardware_id)
        for position, identifier in enumerate(model.compatible_ids, 1):
            self.add(package, offer, identifier, position)

    def add(self, package: Package, offer: Offer, identifier: str, place: int = 0) -> None:
        """Add one identifier; ``place`` is 0 for an entry's hardware id, and counts its others."""
        if place:
            self._entries[identifier].append(_Entry(package, offer, False, place - 1))
            return
        entry = _Entry(package, offer, True, 0)
        self._entries[identifier].append(entry)
        chip, mark, _ = identifier.partition("&SUBSYS_")
        if mark:
            self._boards[chip].append(entry)

    def _takes(self, entry: _Entry, own: set[str]) -> bool:
        """Whether an entry's install section excludes none of a device's identifiers."""
        return not self._family.system.is_nt or own.isdisjoint(
            excluded_ids(entry.package, entry.offer.install)
        )

    def cover(self, device: Device, declared: Iterable[DosPackage] = ()) -> DeviceCover:
        """Return what drives ``device``; ``declared`` are all declared packages of the disc."""
        own = {*device.hardware_ids, *device.compatible_ids}
        return DeviceCover(
            device,
            self._best_of_each(self._matches(device)),
            self._possible(device),
            tuple(package for package in declared if own & _upper(package.identifiers)),
        )

    def _matches(self, device: Device) -> Iterator[tuple[_Entry, Match]]:
        own = {*device.hardware_ids, *device.compatible_ids}
        for in_device, identifiers in (
            (True, device.identifiers.hardware),
            (False, device.identifiers.compatible),
        ):
            for text, position in identifiers:
                for entry in self._entries.get(text, ()):
                    if self._takes(entry, own):
                        match = Match(text, in_device, position, entry.in_inf, entry.inf_position)
                        yield entry, match

    def _best_of_each(self, matches: Iterable[tuple[_Entry, Match]]) -> tuple[Candidate, ...]:
        """Return one candidate for each package, sorted as the family compares them."""
        best: dict[Package, Candidate] = {}
        for entry, match in matches:
            candidate = self._candidate(entry, match)
            known = best.get(entry.package)
            if known is None or candidate.rank < known.rank:
                best[entry.package] = candidate
        return tuple(sorted(best.values(), key=self.order))

    def _candidate(self, entry: _Entry, match: Match) -> Candidate:
        feature = None
        if self._family.ranks_features:
            feature = feature_score(entry.package, entry.offer.install)
        inf = entry.package.inf
        return Candidate(entry.package, entry.offer, match, feature, inf.driver_version)

    def _possible(self, device: Device) -> tuple[Candidate, ...]:
        """Return what some board with the device's chip would get, where the board is unknown."""
        if device.function is None or device.function.subsystem is not None:
            return ()
        entries = self._boards.get(device.main_id, ())
        return self._best_of_each(
            (entry, Match(entry.offer.model.hardware_id, True, 0, True, 0)) for entry in entries
        )


def _upper(identifiers: Iterable[str]) -> set[str]:
    return {identifier.upper() for identifier in identifiers}
