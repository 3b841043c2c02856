"""A file that an INF needs, and which sections ask for files, beside the install section.

CopyFiles counts in the install section, its co-installers, the add-interface sections,
the install-interface sections and the class section (INF CopyFiles directive, INF
AddInterface directive, INF InterfaceInstall32 section; for 9x systems the DDK's "Class
Install Section", whose section is [ClassInstall]). That co-installers and interfaces
are read since 5.0 is from memory. Drivers of services are named here too: what is not copied
the system has to have (INF AddService directive).
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from functools import lru_cache

from msgspec import Struct

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text.sections import InfSection

_PLUG_AND_PLAY_SINCE = (5, 0)

SERVICES = ".Services"
_SERVICE_SECTION_AT = 2  # AddService=name,[flags],service-install-section

COPY_INF_SINCE = (5, 1)
"""First NT version that reads CopyINF (INF CopyINF directive)."""


THE_SYSTEM = "the system itself"
"""Provider of a driver that a service names and no section copies."""


class TextFault(StrEnum):
    """Why a text does not tell what a section needs, or from where."""

    NO_LIST = "no-list"  # CopyFiles names a section that is not there
    NO_SECTION = "no-section"  # Needs names one
    NO_DISK = "no-disk"  # no SourceDisksNames section has the file's disk


class NeededFile(Struct, frozen=True):
    """One file that an install section needs.

    ``path`` is relative to the installation root, with parts joined by ``/``.
    ``cabinet`` (a path too) is set when the file is inside one, ``tag`` when its disk
    has a tag file. ``provider`` names an INF outside the package, such as the system's
    layout, that tells where the file is. ``size`` is 0 when unknown; ``line`` is that
    of the copy. ``listed_for`` names the processors for which alone a SourceDisksFiles section
    has the file, where the system's is none of them. ``fault`` is set where the text does not
    tell: with a section that is not there, ``name`` and ``path`` are ``[its name]``.
    """

    name: str
    path: str
    size: int
    line: int
    cabinet: str = ""
    provider: str = ""
    tag: str = ""
    fault: TextFault | None = None
    listed_for: tuple[str, ...] = ()


@lru_cache(64)  # asked for each text
def read_alike(system: InfSystem) -> tuple[object, ...]:
    """Return what is equal for systems that find the same files where no other INF is followed."""
    suffixes = (system.install_suffixes, system.source_suffixes)
    if not system.is_nt:
        return suffixes
    since = (version <= system.version for version in (_PLUG_AND_PLAY_SINCE, COPY_INF_SINCE))
    return (*suffixes, *since)


def sections_of_install(install: str, system: InfSystem) -> tuple[str, ...]:
    """Return the install section and those whose names are made from its name."""
    if not system.is_nt:
        return (install,)
    if system.version < _PLUG_AND_PLAY_SINCE:
        return (install, install + SERVICES)
    return (install, install + SERVICES, f"{install}.CoInstallers", f"{install}.Interfaces")


def sections_of_class(inf: Inf, system: InfSystem) -> Iterator[str]:
    """Yield the sections that a system reads with any install section of the INF."""
    if not system.is_nt:
        yield "ClassInstall"
        return
    name = find_install_section(inf, "ClassInstall32", system)
    if name is not None:
        yield name
    interfaces = inf.section("InterfaceInstall32")
    for entry in interfaces.entries if interfaces else ():
        yield from _with_suffix(inf, inf.expand(entry.value(0)).strip(), system)


def added_interfaces(inf: Inf, section: InfSection, system: InfSystem) -> Iterator[str]:
    """Yield the add-interface sections that a section names."""
    for entry in section.all("AddInterface"):
        yield from _with_suffix(inf, inf.expand(entry.value(2)).strip(), system)


def service_drivers(inf: Inf, section: InfSection) -> Iterator[tuple[str, int]]:
    """Yield the kernel drivers of the services that a section adds, with their lines."""
    for entry in section.all("AddService"):
        service = inf.section(inf.expand(entry.value(_SERVICE_SECTION_AT)).strip())
        binary = service.find("ServiceBinary") if service is not None else None
        if binary is not None:
            name = inf.expand(binary.value(0)).replace("/", "\\").rpartition("\\")[2].strip()
            if name.lower().endswith(".sys"):
                yield name, binary.line


def _with_suffix(inf: Inf, name: str, system: InfSystem) -> Iterator[str]:
    found = find_install_section(inf, name, system) if name else None
    if found is not None:
        yield found
