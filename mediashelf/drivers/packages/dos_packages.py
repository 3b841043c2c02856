"""DOS-style packages: folders with a setup program or drivers, and no INF.

For DOS itself an INF says nothing: there every driver and program counts that DOS can
load, by what its first bytes are.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from enum import StrEnum

from msgspec import Struct

from mediashelf.drivers.packages.finding import Package, PackagesFound
from mediashelf.drivers.packages.tree import PackageTree, Provides, TreeFile, folder_of
from mediashelf.errors import MediashelfError
from mediashelf.formats.inf.document import InfKind
from mediashelf.formats.inf.source_files import source_folders
from mediashelf.package_names import (
    DOS_ALWAYS,
    DOS_BY_BYTES,
    SETUP_NAMES,
    TEXT_SETUP_NAME,
)


class DosKind(StrEnum):
    """What a DOS-style package is known by."""

    DECLARED = "declared"
    SETUP = "setup program"
    DRIVER = "DOS driver"
    SYSTEM_FILE = "driver file"


class DosPackage(Struct, frozen=True):
    """A folder with a setup program or drivers, and no INF. ``files`` are those that tell."""

    tree: PackageTree
    folder: str
    kind: DosKind
    files: tuple[str, ...]
    identifiers: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()


_TEXTS = (".txt", ".doc", ".1st", ".me", ".wri")
_ENDS = (*_TEXTS, *SETUP_NAMES, ".sys")
_DOS_ENDS = (*_TEXTS, *SETUP_NAMES, *DOS_ALWAYS, *DOS_BY_BYTES)
"""How the names end of all that tells, or is to be read with it."""
_INDEX, _INDEX_START = "/INDEX.TXT", b"What is on "
"""Where our page is on a disc, and how it begins."""
_HEAD = 4096
_WINDOWS_MARKS = (b"PE", b"NE", b"LE", b"LX")
"""At the offset that the MZ header has at 60 (the program formats, from memory)."""
_DOS_DRIVER_LINK = b"\xff\xff\xff\xff"  # a device driver's header begins so (from memory)


def find_dos_packages(
    tree: PackageTree, found: PackagesFound, target: str, *, is_dos: bool = False
) -> list[DosPackage]:
    """Return the folders with a setup program or drivers that belong to no INF.

    Folders that the maker of the disc declares for ``target`` come first, with all
    below them and with their identifiers, whether an INF is there or not.
    """
    packages = []
    declared: set[str] = set()
    for provided in tree.provides:
        if not provided.targets or target in provided.targets:
            package, folders = _declared_package(tree, provided)
            declared |= folders
            packages += [package] if package is not None else []
    taken = set() if is_dos else _folders_of_infs(tree, found)
    telling: defaultdict[str, list[TreeFile]] = defaultdict(list)
    texts: defaultdict[str, list[str]] = defaultdict(list)
    for file in tree.iter_ending(_DOS_ENDS if is_dos else _ENDS):
        path = file.path
        if not (path and file.size):
            continue  # nothing to load or read
        name = path[path.rfind("/") + 1 :].lower()
        if name.endswith(_TEXTS) and not _is_our_index(tree, file):
            texts[folder_of(file.path)].append(file.name)
        if _loads_in_dos(tree, file, name) if is_dos else _is_telling(name):
            telling[folder_of(file.path)].append(file)
    for folder, files in sorted(telling.items()):
        if folder not in declared and not _is_taken(folder, taken):
            names = tuple(sorted(file.name for file in files))
            kind = _dos_kind(tree, files)
            to_read = tuple(sorted(texts[folder]))
            packages.append(DosPackage(tree, folder or "/", kind, names, texts=to_read))
    return packages


def _is_our_index(tree: PackageTree, file: TreeFile) -> bool:
    """Whether a text is the page that our discs have at their root; a planned one has no bytes."""
    if file.path.upper() != _INDEX:
        return False
    try:
        return tree.read(file, len(_INDEX_START)) in (b"", _INDEX_START)
    except (OSError, MediashelfError):
        return False


def _loads_in_dos(tree: PackageTree, file: TreeFile, name: str) -> bool:
    """Whether a file is a driver or a program of DOS; programs of Windows are MZ files too."""
    if name in SETUP_NAMES or name.endswith(DOS_ALWAYS):
        return True
    if not name.endswith(DOS_BY_BYTES):
        return False
    try:
        head = tree.read(file, _HEAD)
    except (OSError, MediashelfError):
        return name.endswith(".sys")
    if head[:4] == _DOS_DRIVER_LINK:
        return True
    if head[:2] != b"MZ":
        return name.endswith(".sys")
    at = int.from_bytes(head[0x3C:0x40], "little")
    return not (at and head[at : at + 2] in _WINDOWS_MARKS)


def _is_telling(name: str) -> bool:
    return name in SETUP_NAMES or name.endswith(".sys")


def _declared_package(tree: PackageTree, provided: Provides) -> tuple[DosPackage | None, set[str]]:
    """Return the package of one declaration and the folders in it; None when it is empty.

    The declaration may name the folder as either tree of the disc does.
    """
    top = "/" + provided.folder.strip("/").lower()
    top = "" if top == "/" else top
    start = top + "/"
    files = [
        file
        for file in tree.files
        if file.path
        and any(path.lower().startswith(start) for path in (file.path, file.hidden_path))
    ]
    if not any(file.size for file in files):
        return None, set()  # nothing there that could drive a device
    # The folder as this target sees it: as many levels down as were named.
    depth = top.count("/")
    folder = "/".join(files[0].path.split("/")[: depth + 1])
    names = tuple(sorted(file.name for file in files if _is_telling(file.name.lower())))
    package = DosPackage(tree, folder or "/", DosKind.DECLARED, names, provided.identifiers)
    return package, {folder_of(file.path) for file in files}


def _dos_kind(tree: PackageTree, files: list[TreeFile]) -> DosKind:
    if any(file.name.lower() in SETUP_NAMES for file in files):
        return DosKind.SETUP
    for file in files:
        try:
            if tree.read(file, 4) == _DOS_DRIVER_LINK:
                return DosKind.DRIVER
        except (OSError, MediashelfError):
            continue
    return DosKind.SYSTEM_FILE


def _folders_of_infs(tree: PackageTree, found: PackagesFound) -> set[str]:
    """Return the folders (lower case) of INFs and TXTSETUP.OEM, and those source disks name."""
    folders = {
        folder_of(file.path).lower()
        for file in tree.iter_ending((TEXT_SETUP_NAME,))
        if file.name.lower() == TEXT_SETUP_NAME and file.path
    }
    for package in (*found.packages, *found.others):
        if package.inf.kind is not InfKind.OTHER:
            folders.add(package.folder.lower())
            folders |= set(_source_folders(package))
    return folders


def _source_folders(package: Package) -> Iterator[str]:
    for path in source_folders(package.inf):
        yield f"{package.folder}/{path}".rstrip("/").lower()


def _is_taken(folder: str, taken: set[str]) -> bool:
    """Whether a folder or one above it (the root apart) belongs to an INF."""
    if folder.lower() in taken:
        return True
    while folder := folder_of(folder):
        if folder.lower() in taken:
            return True
    return False
