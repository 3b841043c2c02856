"""A package that may drive a device, and its rank among others.

Rank is ``0xSSGGTHHH``, lower is better: signature, feature, identifier
(How Windows Ranks Driver Packages). The identifier score follows
identifier-score--windows-vista-and-later-; that systems before 6.0 use the same four
bands is from memory. Signatures are not verified here, so that part counts as equal.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from msgspec import Struct

from mediashelf.drivers.packages.finding import Offer, Package
from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.driver_version import DriverVersion
from mediashelf.formats.inf.source_files import parse_number

if TYPE_CHECKING:  # a scan records packages, and knows no device
    pass

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
