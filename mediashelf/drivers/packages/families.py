"""Which INFs a family of systems takes, as rows of data.

The version numbers are those of INF Manufacturer section; what is said about families
that take no INFs or do not match identifiers is common practice.
"""

from __future__ import annotations

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.formats.inf.systems import InfSystem


class Family(Struct, frozen=True):
    """One family as it reads driver packages.

    ``system`` chooses sections. ``takes_infs`` is False for systems whose drivers
    come with programs; their row's ``system`` is the one that goes with the family
    on old machines, and decides which files of an INF are looked for.
    ``matches_devices`` is False where a person picks the driver from a list.
    """

    name: str
    system: InfSystem
    takes_infs: bool = True
    matches_devices: bool = True
    ranks_features: bool = False
    wants_catalogs: bool = False
    releases: tuple[tuple[int, int], ...] = ()

    @property
    def release_text(self) -> str:
        """The release as ``5.1 on x86``; empty for families without releases."""
        if not self.releases:
            return ""
        major, minor = self.system.version
        return f"{major}.{minor} on {self.system.architecture}"


FAMILIES = {
    family.name: family
    for family in (
        Family("dos", InfSystem(False), takes_infs=False, matches_devices=False),
        Family("win9x", InfSystem(False)),
        Family("nt4", InfSystem(True, (4, 0)), matches_devices=False, releases=((4, 0),)),
        Family(
            "nt5",
            InfSystem(True, (5, 1)),
            wants_catalogs=True,
            releases=((5, 0), (5, 1), (5, 2)),
        ),
        Family(
            "nt6",
            InfSystem(True, (6, 1)),
            ranks_features=True,
            wants_catalogs=True,
            releases=((6, 0), (6, 1), (6, 2), (6, 3), (10, 0)),
        ),
    )
}


def choose_family(
    name: str, *, release: tuple[int, int] | None = None, architecture: str = ""
) -> Family:
    """Return the family of this name for one release and architecture.

    Raises ``KeyError`` for an unknown family and ``ValueError`` for a release that
    is not its own.
    """
    family = FAMILIES[name]
    system = family.system
    if release is not None:
        if release not in family.releases:
            known = ", ".join(f"{major}.{minor}" for major, minor in family.releases)
            raise ValueError(
                f"{name} has no release {release[0]}.{release[1]}"
                + (f" (known: {known})" if known else "; leave the release out")
            )
        system = system._replace(version=release)
    if architecture and family.releases:
        system = system._replace(architecture=architecture)
    return replace(family, system=system)
