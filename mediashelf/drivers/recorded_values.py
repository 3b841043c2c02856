"""What is kept of a package for questions to the library, as values."""

from __future__ import annotations

from typing import NamedTuple

from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Fit
from mediashelf.formats.inf.driver_version import DriverVersion
from mediashelf.formats.inf.rules import Found


class KeptInstall(NamedTuple):
    """One install section as a view has it.

    ``base`` is the number of its name before any suffix; ``feature`` its feature score.
    ``excluded`` are identifiers of devices that it is not for, ``of_system`` files that
    the system's own disc has.
    """

    base: int
    name: str
    feature: int
    missing: tuple[str, ...]
    excluded: tuple[str, ...] = ()
    of_system: tuple[str, ...] = ()


class KeptView(NamedTuple):
    """How some systems read a package; ``systems`` are keys of :func:`system_key`."""

    systems: tuple[str, ...]
    fit: Fit
    sections: tuple[int, ...] = ()
    installs: tuple[KeptInstall, ...] = ()


class KeptModel(NamedTuple):
    """One models entry: the numbers of its section and install name, and its identifiers.

    The first identifier is the hardware id, which may be empty.
    """

    section: int
    base: int
    description: str
    identifiers: tuple[str, ...]


class KeptPackage(NamedTuple):
    """One INF with all that is asked of it.

    ``path`` and ``files`` begin with the prefix of its tree; they are the INF, and with it
    all that any system takes. ``digest`` is of the INF's text. ``is_cut`` tells that a
    bound was reached. ``found`` is what is wrong with the text.
    """

    path: str
    class_name: str
    provider: str
    signature: str
    version: DriverVersion
    models: tuple[KeptModel, ...]
    views: tuple[KeptView, ...]
    files: tuple[str, ...]
    digest: bytes
    is_cut: bool = False
    found: tuple[Found, ...] = ()


def system_key(family: Family) -> str:
    """Return what a family's system is called in records: ``win9x``, ``5.1/x86``."""
    if not family.releases:
        return family.name
    major, minor = family.system.version
    return f"{major}.{minor}/{family.system.architecture}"
