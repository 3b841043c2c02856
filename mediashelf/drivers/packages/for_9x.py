"""Does an install section that an NT system takes install drivers of 9x systems only?

What tells is common practice; that NTMPDriver is where 9x systems read the name of a .sys file
is from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from mediashelf.formats.inf.copying import SERVICES
from mediashelf.formats.inf.document import Inf, Signature
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.systems import InfSystem
from mediashelf.formats.inf.text.sections import InfSection

_9X_LOADED = "ntmpdriver"
_9X_SUFFIXES = (".vxd", ".386", ".drv", ".pdr", ".mpd")


def are_for_9x(
    inf: Inf, installs: list[str], system: InfSystem, companions: Mapping[str, Inf]
) -> bool:
    """Whether undecorated sections install drivers of 9x systems only (common practice).

    An NT system takes such a section where there is no other, but gets no driver
    from it: there is no service, and there are only drivers of the 9x kind, or the registry
    entry from which 9x systems load a .sys file.
    """
    if inf.signature is not Signature.CHICAGO:
        return False
    for install in installs:
        is_decorated = install.lower().rpartition(".")[2].startswith("nt")
        if is_decorated or inf.section(install + SERVICES) is not None:
            return False
    if all(_is_loaded_by_9x(inf, install) for install in installs):
        return True
    names = [file.name.lower() for file in requirements(inf, installs, system, companions).files]
    return any(name.endswith(_9X_SUFFIXES) for name in names) and not any(
        name.endswith(".sys") for name in names
    )


def _is_loaded_by_9x(inf: Inf, install: str) -> bool:
    """Whether a section adds NTMPDriver, the driver that 9x systems load, to the registry."""
    section = inf.section(install)
    if section is None:
        return False
    names = (inf.expand(name).strip() for entry in section.all("AddReg") for name in entry.values)
    lists = filter(None, map(inf.section, names))
    return any(one.once(_9X_LOADED, partial(_names_loaded, inf, one)) for one in lists)


def _names_loaded(inf: Inf, listed: InfSection) -> bool:
    if listed.text and _9X_LOADED not in listed.text.lower():
        return False
    return any(inf.expand(entry.value(2)).lower() == _9X_LOADED for entry in listed.entries)
