"""DOS-style packages: folders with a setup program or drivers, and no INF."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from mediashelf.drivers.packages import Found, Package
from mediashelf.drivers.tree import Tree, TreeFile, folder_of
from mediashelf.errors import MediashelfError
from mediashelf.formats.inf import InfKind
from mediashelf.formats.inf_models import all_models
from mediashelf.formats.inf_requirements import requirements
from mediashelf.formats.inf_systems import InfSystem, find_install_section


class DosKind(StrEnum):
    """What a DOS-style package is known by."""

    DECLARED = "declared"
    SETUP = "setup program"
    DRIVER = "DOS driver"
    SYSTEM_FILE = "driver file"


@dataclass(frozen=True, slots=True)
class DosPackage:
    """A folder with a setup program or drivers, and no INF. ``files`` are those that tell."""

    tree: Tree
    folder: str
    kind: DosKind
    files: tuple[str, ...]
    identifiers: tuple[str, ...] = ()


_SETUP_NAMES = {
    f"{stem}.{extension}"
    for stem in ("setup", "install", "instalar", "inst")
    for extension in ("exe", "com", "bat")
}
_DOS_DRIVER_LINK = b"\xff\xff\xff\xff"  # a device driver's header begins so (from memory)


def find_dos_packages(tree: Tree, found: Found, target: str) -> list[DosPackage]:
    """Return the folders with a setup program or drivers that belong to no INF.

    Folders that the maker of the disc declares for ``target`` come with their
    identifiers, whatever is in them.
    """
    taken = _folders_of_infs(found)
    telling: defaultdict[str, list[TreeFile]] = defaultdict(list)
    for file in tree.files:
        name = file.name.lower()
        if file.path and (name in _SETUP_NAMES or name.endswith(".sys")):
            telling[folder_of(file.path)].append(file)
    declared = {
        "/" + provided.folder.strip("/").lower(): provided.identifiers
        for provided in tree.provides
        if not provided.targets or target in provided.targets
    }
    packages = []
    for folder, files in sorted(telling.items()):
        identifiers = declared.pop(folder.lower() or "/", ())
        if identifiers or not _is_taken(folder, taken):
            names = tuple(sorted(file.name for file in files))
            kind = DosKind.DECLARED if identifiers else _dos_kind(tree, files)
            packages.append(DosPackage(tree, folder or "/", kind, names, identifiers))
    packages += [
        DosPackage(tree, folder, DosKind.DECLARED, (), identifiers)
        for folder, identifiers in declared.items()
    ]
    return packages


def _dos_kind(tree: Tree, files: list[TreeFile]) -> DosKind:
    if any(file.name.lower() in _SETUP_NAMES for file in files):
        return DosKind.SETUP
    for file in files:
        try:
            if tree.read(file, 4) == _DOS_DRIVER_LINK:
                return DosKind.DRIVER
        except (OSError, MediashelfError):
            continue
    return DosKind.SYSTEM_FILE


def _folders_of_infs(found: Found) -> set[str]:
    """Return the folders (lower case) of INFs, and those their source paths name."""
    folders = set()
    for package in (*found.packages, *found.others):
        if package.inf.kind is InfKind.OTHER:
            continue
        folders.add(package.folder.lower())
        folders |= set(_source_folders(package))
    return folders


def _source_folders(package: Package) -> Iterator[str]:
    for system in (InfSystem(False), InfSystem(True), InfSystem(True, (6, 1), "amd64")):
        installs = [
            install
            for model in all_models(package.inf)
            if (install := find_install_section(package.inf, model.install, system))
        ]
        needed = requirements(package.inf, dict.fromkeys(installs), system, package.companions)
        for file in needed.files:
            yield f"{package.folder}/{folder_of('/' + (file.cabinet or file.path))[1:]}".rstrip(
                "/"
            ).lower()


def _is_taken(folder: str, taken: set[str]) -> bool:
    """Whether a folder or one above it (the root apart) belongs to an INF."""
    if folder.lower() in taken:
        return True
    while folder := folder_of(folder):
        if folder.lower() in taken:
            return True
    return False
