"""Is every file that a package needs where its source path says, in the tree that is read?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from mediashelf.drivers.packages.cabinets import cabinet_names
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Package
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, folder_of
from mediashelf.formats.inf.requirements import NeededFile, requirements
from mediashelf.formats.inf.source_files import compressed_names, join_path
from mediashelf.formats.inf.systems import InfSystem


class FileState(StrEnum):
    """How a needed file was found."""

    PRESENT = "present"
    COMPRESSED = "compressed"
    IN_CABINET = "in-cabinet"
    CABINET_UNREAD = "cabinet-unread"  # the cabinet is there, its list of files is not known
    FROM_SYSTEM = "from-system"  # an INF of the system tells where it is
    OTHER_ROOT = "other-root"  # where the path says, counted from a folder above the INF
    HIDDEN_NAME = "hidden-name"  # only under a name that the target does not see
    SHORT_NAME = "short-name"  # only under the short name, where long names are read
    MISSING = "missing"

    @property
    def is_usable(self) -> bool:
        """Whether setup finds the file, perhaps after asking for its place."""
        return self not in (FileState.HIDDEN_NAME, FileState.MISSING)


@dataclass(frozen=True, slots=True)
class FileCheck:
    """One needed file with its state. ``path`` is where it is; for a missing one, where to put it.

    ``elsewhere`` is some file of the same name for a missing one, or empty.
    ``found_size`` is that of the file itself, -1 where it is not known.
    """

    needed: NeededFile
    state: FileState
    path: str
    elsewhere: str = ""
    found_size: int = -1


@dataclass(frozen=True, slots=True)
class PackageCheck:
    """How whole a package is for one family.

    ``installs`` are the install sections that were looked at, ``missing_tags`` the
    tag files, ``missing_catalog`` the catalog that are not there; ``not_followed``
    are INFs outside the package that it builds on.
    """

    package: Package
    installs: tuple[str, ...]
    files: tuple[FileCheck, ...]
    missing_tags: tuple[str, ...] = ()
    missing_catalog: str = ""
    not_followed: tuple[str, ...] = ()

    @property
    def missing(self) -> tuple[FileCheck, ...]:
        """The files that setup will not find."""
        return tuple(check for check in self.files if not check.state.is_usable)


def judge_completeness(
    package: Package, installs: Iterable[str], system: InfSystem, family: Family
) -> PackageCheck:
    """Look for everything that these install sections need, as ``system`` reads the INF."""
    installs = tuple(installs)
    needed = requirements(package.inf, installs, system, package.companions)
    finder = _Finder(package)
    return PackageCheck(
        package,
        installs,
        tuple(finder.check(file) for file in needed.files),
        tuple(tag for tag in needed.tags if finder.find(tag) is None),
        _missing_catalog(package, system, finder) if family.wants_catalogs else "",
        needed.not_followed,
    )


def _missing_catalog(package: Package, system: InfSystem, finder: _Finder) -> str:
    for suffix in (f".nt{system.architecture}", ".nt", ""):
        name = package.inf.version_value("CatalogFile" + suffix)
        if name:
            # It must be beside the INF, and not compressed (INF Version section).
            return "" if package.tree.find(f"{finder.folder}/{name}") else name
    return ""


class _Finder:
    """Looks up paths of one package in its tree."""

    def __init__(self, package: Package) -> None:
        self.tree: PackageTree = package.tree
        self.folder = folder_of(package.file.path)
        self.hidden_folder = folder_of(package.file.hidden_path)
        self.is_seen = bool(package.file.path)
        self.is_known_hidden = bool(package.file.hidden_path)
        self.cabinets: dict[str, frozenset[str] | None] = {}

    def find(self, path: str) -> TreeFile | None:
        """Return the file at ``path`` counted from the INF's folder or any above it."""
        return next((file for _, file in self._from_every_root(path)), None)

    def _from_every_root(self, path: str) -> Iterator[tuple[str, TreeFile]]:
        if not self.is_seen:
            return
        root = self.folder
        while True:
            file = self.tree.find(f"{root}/{path}")
            if file is not None:
                yield root, file
            if not root:
                return
            root = folder_of(root)

    def check(self, needed: NeededFile) -> FileCheck:
        """Return how ``needed`` is found; its own name goes before compressed ones."""
        if needed.provider:
            return FileCheck(needed, FileState.FROM_SYSTEM, needed.provider)
        if needed.cabinet:
            return self._check_cabinet(needed)
        places = [needed.path, *_compressed_paths(needed.path)]
        for path in places:
            found = next(self._from_every_root(path), None)
            if found is None:
                continue
            root, file = found
            if path != needed.path:
                state, size = FileState.COMPRESSED, -1
            else:
                state, size = FileState.PRESENT, file.size
            if root != self.folder:
                state = FileState.OTHER_ROOT
            return FileCheck(needed, state, file.path, found_size=size)
        return self._check_other_names(needed, places)

    def _check_other_names(self, needed: NeededFile, places: list[str]) -> FileCheck:
        """Look in the tree that the target does not read."""
        if self.is_known_hidden:
            for path in places:
                file = self.tree.find_hidden(f"{self.hidden_folder}/{path}")
                if file is not None:
                    return FileCheck(needed, self._hidden_state(), file.shown_path)
        other = self.tree.find_name(needed.name)
        return FileCheck(
            needed,
            FileState.MISSING,
            f"{self.folder}/{needed.path}",
            other.path if other is not None else "",
        )

    def _hidden_state(self) -> FileState:
        # Systems that read long names open short ones too, where they make the same ones.
        return FileState.HIDDEN_NAME if self.tree.kind == "iso9660" else FileState.SHORT_NAME

    def _check_cabinet(self, needed: NeededFile) -> FileCheck:
        for path in (needed.cabinet, *_compressed_paths(needed.cabinet)):
            file = self.find(path)
            if file is None:
                continue
            if file.path not in self.cabinets:
                self.cabinets[file.path] = cabinet_names(self.tree, file)
            names = self.cabinets[file.path]
            if names is None:
                return FileCheck(needed, FileState.CABINET_UNREAD, file.path)
            wanted = (needed.name, *compressed_names(needed.name))
            if any(name.lower() in names for name in wanted):
                return FileCheck(needed, FileState.IN_CABINET, file.path)
            return FileCheck(needed, FileState.MISSING, file.path)
        # A file may also stand open where its cabinet should be.
        open_file = self.find(needed.path)
        if open_file is not None:
            return FileCheck(needed, FileState.PRESENT, open_file.path, found_size=open_file.size)
        other = self.tree.find_name(needed.cabinet.rpartition("/")[2])
        return FileCheck(
            needed,
            FileState.MISSING,
            f"{self.folder}/{needed.cabinet}",
            other.path if other is not None else "",
        )


def _compressed_paths(path: str) -> tuple[str, ...]:
    folder, _, name = path.rpartition("/")
    return tuple(join_path(folder, form) for form in compressed_names(name))
