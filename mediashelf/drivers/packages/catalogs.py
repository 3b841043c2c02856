"""The catalogs of a package: which one counts for a system, and whether it is beside the INF."""

from __future__ import annotations

from mediashelf.drivers.packages.finding import Package
from mediashelf.formats.inf.systems import InfSystem


def catalogs_there(package: Package) -> list[str]:
    """Return the paths of the catalogs, for whatever platform, that are beside the INF."""
    section = package.inf.section("Version")
    names = [
        package.inf.expand(entry.value(0)).strip()
        for entry in (section.entries if section else ())
        if entry.key.lower().startswith("catalogfile")
    ]
    found = [package.tree.find(f"{package.folder}/{name}") for name in names if name]
    return [file.path for file in found if file is not None]


def named_catalog(package: Package, system: InfSystem) -> str:
    """Return the name of the catalog that counts for a system, empty where there is none."""
    for suffix in (f".nt{system.architecture}", ".nt", ""):
        name = package.inf.version_value("CatalogFile" + suffix)
        if name:
            return name
    return ""


def has_catalog(package: Package, system: InfSystem) -> bool:
    """Whether the catalog that counts for a system is beside the INF; it may be signed."""
    if not package.tree.files:
        return False  # of an image on record they are not listed
    name = named_catalog(package, system)
    return bool(name) and package.tree.find(f"{package.folder}/{name}") is not None


def missing_catalog(package: Package, system: InfSystem, folder: str) -> str:
    """Return the name of the catalog that counts for a system, where it is not in the folder."""
    name = named_catalog(package, system)
    # It must be beside the INF, and not compressed (INF Version section).
    return "" if not name or package.tree.find(f"{folder}/{name}") else name
