"""The names that a disc gets for those of files, in their order."""

from __future__ import annotations

from mediashelf.building.naming.names import HostName, assign_long_names, assign_short_names


def short(*names: str) -> list[str]:
    assigned = assign_short_names(HostName(name) for name in names)
    return [assigned[HostName(name)] for name in names]


def long(*names: str) -> list[str]:
    assigned = assign_long_names(HostName(name) for name in names)
    return [assigned[HostName(name)] for name in names]
