"""The catalogs of a package: which one counts for a system, and whether it is beside the INF."""

from __future__ import annotations

from mediashelf.drivers.packages.finding import Package
from mediashelf.drivers.packages.tree import PackageTree, TreeFile
from mediashelf.errors import FormatError, MediashelfError
from mediashelf.formats.inf.systems import InfSystem
from mediashelf.formats.packed.der import DerReader

_DER_HEAD = 6  # bytes: tag, and a length of up to four


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
    return bool(name) and _is_whole(package.tree, package.tree.find(f"{package.folder}/{name}"))


def missing_catalog(package: Package, system: InfSystem, folder: str) -> str:
    """Return the name of the catalog that counts for a system, where it is not whole there."""
    name = named_catalog(package, system)
    # It must be beside the INF, and not compressed (INF Version section).
    is_there = not name or _is_whole(package.tree, package.tree.find(f"{folder}/{name}"))
    return "" if is_there else name


def _is_whole(tree: PackageTree, file: TreeFile | None) -> bool:
    """Whether a catalog is there, and as long as its first DER element says (X.690, 8.1.3)."""
    if file is None or file.is_cut or not file.size:
        return False
    try:
        head = tree.read(file, _DER_HEAD) if tree.is_quick(file) else b""
    except (OSError, MediashelfError):
        return True  # whatever it is, it is there
    if head[:1] != b"0" or len(head) < _DER_HEAD or not 0x80 < head[1] <= 0x84:
        return True
    try:
        DerReader(head, most_elements=1).element(end=file.size)
    except FormatError:
        return False  # it would end after the file
    return True
