"""Which sections of an INF ask for files when a device is installed, beside its install section.

CopyFiles counts in the install section, its co-installers, the add-interface sections,
the install-interface sections and the class section (INF CopyFiles directive, INF
AddInterface directive, INF InterfaceInstall32 section; for 9x systems the DDK's "Class
Install Section", whose section is [ClassInstall]). That co-installers and interfaces
are read since 5.0 is from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from mediashelf.formats.inf.document import Inf
from mediashelf.formats.inf.systems import InfSystem, find_install_section
from mediashelf.formats.inf.text.sections import InfSection

_PLUG_AND_PLAY_SINCE = (5, 0)

COPY_INF_SINCE = (5, 1)
"""First NT version that reads CopyINF (INF CopyINF directive)."""


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
    if not system.is_nt or system.version < _PLUG_AND_PLAY_SINCE:
        return (install,)
    return (install, f"{install}.CoInstallers", f"{install}.Interfaces")


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


def _with_suffix(inf: Inf, name: str, system: InfSystem) -> Iterator[str]:
    found = find_install_section(inf, name, system) if name else None
    if found is not None:
        yield found
