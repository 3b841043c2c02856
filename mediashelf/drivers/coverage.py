"""Which package drives which device: candidates by the published rank, best first.

Rank is ``0xSSGGTHHH``, lower is better: signature, feature, identifier
(How Windows Ranks Driver Packages). The identifier score follows
identifier-score--windows-vista-and-later-; that systems before 6.0 use the same four
bands is from memory. Signatures are not verified here, so that part counts as equal.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct

from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Offer, Package
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.driver_version import DriverVersion
from mediashelf.formats.inf.source_files import parse_number

if TYPE_CHECKING:  # a scan records packages, and knows no device
    from mediashelf.drivers.machines.devices import Device
    from mediashelf.drivers.packages.dos_packages import DosPackage

DEFAULT_FEATURE = 0xFF

_NAMES_DEVICE = re.compile(r"(?:VEN|VID)_[^&]+&(?:DEV|PID)_")

HARDWARE_HARDWARE, HARDWARE_COMPATIBLE, COMPATIBLE_HARDWARE, COMPATIBLE_COMPATIBLE = (
    0x0000,
    0x1000,
    0x2000,
    0x3000,
)


class Match(NamedTuple):
    """How an identifier of a device met one of an INF.

    ``in_device`` and ``in_inf`` are True where it is a hardware id of the device
    or the INF, False for a compatible id. Positions count from 0.
    """

    identifier: str
    in_device: bool
    device_position: int
    in_inf: bool
    inf_position: int

    @property
    def score(self) -> int:
        """The identifier score (identifier-score--windows-vista-and-later-)."""
        if self.in_device:
            return (
                HARDWARE_HARDWARE if self.in_inf else HARDWARE_COMPATIBLE
            ) + self.device_position
        if self.in_inf:
            return COMPATIBLE_HARDWARE + self.device_position
        return COMPATIBLE_COMPATIBLE + self.device_position + 0x100 * self.inf_position

    @property
    def is_generic(self) -> bool:
        """Whether the device was met only as one of its kind, by a compatible id.

        Some buses report the chip's own id among the compatible ones (HDAUDIO).
        """
        return not self.in_device and not names_device(self.identifier)


def names_device(identifier: str) -> bool:
    """Whether an identifier names one chip or product, whatever list it is in."""
    return bool(_NAMES_DEVICE.search(identifier))


class Candidate(Struct, frozen=True):
    """One package that may drive a device, with its best match.

    ``feature`` is None for families that do not rank features.
    """

    package: Package
    offer: Offer
    match: Match
    feature: int | None
    driver_version: DriverVersion

    @property
    def rank(self) -> int:
        """Feature and identifier score, ``0xGGTHHH`` or ``0xTHHH``; the signature is not known."""
        return (self.feature or 0) << 16 | self.match.score


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


def order(candidate: Candidate) -> tuple[object, ...]:
    """Sort key: lower rank, then later date, then higher version (INF DriverVer directive)."""
    date, version = candidate.driver_version
    return (
        candidate.rank,
        tuple(-part for part in date),
        tuple(-part for part in version),
        candidate.package.tree.name,
        candidate.package.path,
    )


def feature_score(package: Package, install: str) -> int:
    """Return the FeatureScore of an install section: lower is better, 0xFF where none is given."""
    section = package.inf.section(install)
    entry = section.find("FeatureScore") if section else None
    if entry is None:
        return DEFAULT_FEATURE
    text = package.inf.expand(entry.value(0)).strip()
    number = parse_number(text if text.lower().startswith("0x") else "0x" + text, -1)
    return number if 0 <= number <= DEFAULT_FEATURE else DEFAULT_FEATURE


def excluded_ids(package: Package, install: str) -> frozenset[str]:
    """Return the identifiers of devices that an install section is not for: its ExcludeID.

    NT systems read it (INF DDInstall section; from memory, also which systems).
    """
    inf = package.inf
    return inf.once(("excluded", install.lower()), lambda: frozenset(_excluded(inf, install)))


def _excluded(inf: Inf, install: str) -> Iterator[str]:
    section = inf.section(install)
    for entry in section.all("ExcludeID") if section else ():
        yield from (inf.expand(value).strip().upper() for value in entry.values)


def _upper(identifiers: Iterable[str]) -> set[str]:
    return {identifier.upper() for identifier in identifiers}


class Reason(StrEnum):
    """Why a candidate loses against the best one."""

    LACKS_FILES = "lacks-files"
    RANK = "rank"
    DATE = "date"
    VERSION = "version"
    TIE = "tie"


def reason_lost(loser: Candidate, winner: Candidate) -> Reason:
    """Return the first thing in which ``loser`` is worse than ``winner``."""
    if loser.rank < winner.rank:
        return Reason.LACKS_FILES  # nothing else goes before the rank
    if loser.rank > winner.rank:
        return Reason.RANK
    if loser.driver_version.date != winner.driver_version.date:
        return Reason.DATE
    if loser.driver_version.version != winner.driver_version.version:
        return Reason.VERSION
    return Reason.TIE
