"""Is every file that a package needs where its source path says, in the tree that is read?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from msgspec.structs import replace

from mediashelf.drivers.packages.cabinets import (
    BROKEN_OFF,
    cabinet_files,
    expanded_size,
    is_cabinet,
)
from mediashelf.drivers.packages.catalogs import missing_catalog
from mediashelf.drivers.packages.checked_files import FileCheck, FileState, PackageCheck
from mediashelf.drivers.packages.families import Family
from mediashelf.drivers.packages.finding import Package
from mediashelf.drivers.packages.programs import is_whole_program
from mediashelf.drivers.packages.tree import PackageTree, TreeFile, folder_of
from mediashelf.formats.inf.copying import NeededFile, TextFault
from mediashelf.formats.inf.requirements import requirements
from mediashelf.formats.inf.source_files import compressed_names, join_path
from mediashelf.formats.inf.systems import InfSystem

# fmt: off
_PROGRAMS = frozenset([
    "386", "acm", "ax", "bin", "cab", "com", "cpl", "dll", "drv", "exe", "inf", "mpd", "nls",
    "ocx", "pdr", "rom", "sys", "vxd",
])
# fmt: on
"""Kinds of file that hold nothing when they are empty (common practice)."""


def judge_completeness(
    package: Package,
    installs: Iterable[str],
    system: InfSystem,
    family: Family,
    finder: FileFinder | None = None,
    *,
    looks_inside: bool = True,
) -> PackageCheck:
    """Look for everything that these install sections need, as ``system`` reads the INF.

    A ``finder`` of the package keeps what it has looked into for the next question. Programs
    are asked for their own lengths where it ``looks_inside``, or the INF says another.
    """
    installs = tuple(installs)
    needed = requirements(package.inf, installs, system, package.companions)
    finder = finder or FileFinder(package, looks_inside=looks_inside)
    tags = {tag: finder.find_tag(tag) for tag in needed.tags}
    return PackageCheck(
        package,
        installs,
        tuple(finder.check(file) for file in needed.files),
        tuple(file.path for file in tags.values() if file is not None),
        tuple(tag for tag, file in tags.items() if file is None),
        missing_catalog(package, system, finder.folder) if family.wants_catalogs else "",
        needed.not_followed,
    )


class FileFinder:
    """Looks up paths of one package in its tree."""

    def __init__(self, package: Package, *, looks_inside: bool = True) -> None:
        self.looks_inside = looks_inside
        self.tree: PackageTree = package.tree
        self.folder = folder_of(package.file.path)
        self.hidden_folder = folder_of(package.file.hidden_path)
        self.is_seen = bool(package.file.path)
        self.is_known_hidden = bool(package.file.hidden_path)
        self.cabinets: dict[str, Mapping[str, int] | None] = {}

    def find(self, path: str) -> TreeFile | None:
        """Return the file at ``path`` counted from the INF's folder or any above it."""
        return next((file for _, file in self._from_every_root(path)), None)

    def find_tag(self, path: str) -> TreeFile | None:
        """Return the tag file at ``path``, also on another disk of the set."""
        return next((file for _, file in self._from_every_root(path, path)), None)

    def _from_every_root(self, path: str, mark: str = "") -> Iterator[tuple[str, TreeFile]]:
        """Yield what is at ``path`` counted from each root that is possible.

        ``mark`` is the file by which setup knows the disk: the roots of other disks of the
        set, which are beside the INF's, have it.
        """
        if not self.is_seen:
            return
        root = self.folder
        while True:
            file = self.tree.find(f"{root}/{path}")
            if file is not None:
                yield root, file
            if not root:
                break
            root = folder_of(root)
        for root in self._other_disks(mark) if mark else ():
            file = self.tree.find(f"{root}/{path}")
            if file is not None:
                yield root, file

    def _other_disks(self, mark: str) -> Iterator[str]:
        """Yield the folders beside the INF's that have the file ``mark``."""
        above = folder_of(self.folder).lower()
        end = f"/{mark}".lower()
        for file in self.tree.find_names(mark.rpartition("/")[2]):
            root = file.path[: -len(end)]
            if file.path.lower().endswith(end) and folder_of(root).lower() == above:
                yield root

    def is_below(self, path: str) -> bool:
        """Whether a path is in the INF's folder or below it."""
        return path.lower().startswith(f"{self.folder.lower()}/")

    def find_file(self, path: str) -> TreeFile | None:
        """Return the file that :meth:`check` finds for a path, cabinets and other trees aside."""
        found = map(self.find, _iter_forms(path))
        return next((file for file in found if file is not None), None)

    def check(self, needed: NeededFile) -> FileCheck:
        """Return how ``needed`` is found; its own name goes before compressed ones.

        Files beside it go before those in a cabinet (INF SourceDisksNames section).
        """
        if needed.fault not in (None, TextFault.NO_DISK):
            return FileCheck(needed, FileState(needed.fault), needed.path)
        if needed.provider:
            return FileCheck(needed, FileState.FROM_SYSTEM, needed.provider)
        for path in _iter_forms(needed.path):
            found = next(self._from_every_root(path, needed.tag), None)
            if found is not None:
                check = self._check_found(needed, *found, is_packed=path != needed.path)
                is_lost = needed.fault is not None and check.state.is_usable
                return replace(check, state=FileState.NO_DISK) if is_lost else check
        return self._check_cabinet(needed) or self._check_other_names(needed)

    def _check_found(
        self, needed: NeededFile, root: str, file: TreeFile, *, is_packed: bool
    ) -> FileCheck:
        if file.is_cut:
            return FileCheck(needed, FileState.PAST_END, file.path)
        size = expanded_size(self.tree, file) if is_packed else file.size
        is_short = _is_short(needed, size) or size == BROKEN_OFF or (is_packed and not file.size)
        is_asked = not is_packed and (self.looks_inside or is_short)
        is_whole = is_whole_program(self.tree, file) if is_asked else None
        if is_whole is False:
            is_short, size = True, BROKEN_OFF
        if is_short and not is_whole:
            state = FileState.CUT_SHORT
        elif root != self.folder:
            state = self._state_above(needed, root, file)
        else:
            state = FileState.COMPRESSED if is_packed else FileState.PRESENT
        return FileCheck(needed, state, file.path, found_size=size)

    def _state_above(self, needed: NeededFile, root: str, file: TreeFile) -> FileState:
        """Say whether a file whose path counts from above the INF is the package's own.

        It is when it is beside or below the INF all the same, or when the tag file of
        its disk is found from there too; any other may be somebody else's.
        """
        if not f"{self.folder}/".startswith(f"{root}/"):
            return FileState.OTHER_ROOT  # another disk of the set
        has_tag = bool(needed.tag) and self.tree.find(f"{root}/{needed.tag}") is not None
        is_own = has_tag or self.is_below(file.path)
        return FileState.OTHER_ROOT if is_own else FileState.FOUND_ABOVE

    def _check_other_names(self, needed: NeededFile) -> FileCheck:
        """Look in the tree that the target does not read."""
        if self.is_known_hidden:
            for path in _iter_forms(needed.path):
                file = self.tree.find_hidden(f"{self.hidden_folder}/{path}")
                if file is not None:
                    return FileCheck(needed, self._hidden_state(), file.shown_path)
        path = needed.cabinet or needed.path
        other = self.tree.find_name(path.rpartition("/")[2])
        return FileCheck(
            needed,
            FileState.MISSING,
            f"{self.folder}/{path}",
            other.path if other is not None else "",
        )

    def _hidden_state(self) -> FileState:
        # Systems that read long names open short ones too, where they make the same ones.
        return FileState.HIDDEN_NAME if self.tree.kind == "iso9660" else FileState.SHORT_NAME

    def _check_cabinet(self, needed: NeededFile) -> FileCheck | None:
        """Look into the cabinet; None when there is none. A tag file may be one as well."""
        if not needed.cabinet:
            return self._check_tag(needed)
        # It is in the disk's folder or in its root (INF SourceDisksNames section).
        for place in dict.fromkeys((needed.cabinet, needed.cabinet.rpartition("/")[2])):
            for path in _iter_forms(place):
                for root, file in self._from_every_root(path, needed.tag or needed.cabinet):
                    return self._check_member(needed, root, file)
        return None

    def _check_tag(self, needed: NeededFile) -> FileCheck | None:
        tag = needed.tag
        found = next(self._from_every_root(tag, tag), None) if tag else None
        if found is None or not is_cabinet(self.tree, found[1]):
            return None
        return self._check_member(needed, *found)

    def _check_member(self, needed: NeededFile, root: str, file: TreeFile) -> FileCheck:
        if file.is_cut:
            return FileCheck(needed, FileState.PAST_END, file.path)
        if file.path not in self.cabinets:
            self.cabinets[file.path] = cabinet_files(self.tree, file)
        sizes = self.cabinets[file.path]
        if sizes is None:
            return FileCheck(needed, FileState.CABINET_UNREAD, file.path)
        name, *packed = (needed.name.lower(), *compressed_names(needed.name.lower()))
        if name in sizes:
            size = sizes[name]
        elif any(one in sizes for one in packed):
            size = -1
        else:
            return FileCheck(needed, FileState.MISSING, file.path)
        if size == BROKEN_OFF:
            return FileCheck(needed, FileState.CABINET_UNREAD, file.path)
        state = FileState.IN_CABINET
        if _is_short(needed, size):
            state = FileState.CUT_SHORT
        elif root != self.folder:
            above = self._state_above(needed, root, file)
            state = above if above is FileState.FOUND_ABOVE else state
        return FileCheck(needed, state, file.path, found_size=size)


def _is_short(needed: NeededFile, size: int) -> bool:
    """Whether a file is not whole; a longer one than the INF says is a later one (a note)."""
    if size == 0 and needed.name.lower().rpartition(".")[2] in _PROGRAMS:
        return True
    return 0 <= size < needed.size


def _iter_forms(path: str) -> Iterator[str]:
    """Yield a path and, where that is not enough, those of the compressed forms."""
    yield path
    folder, _, name = path.rpartition("/")
    yield from (join_path(folder, form) for form in compressed_names(name))
