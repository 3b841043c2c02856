"""The two trees of a disc: which directory holds what, under which name, in which order.

The Joliet tree has the depth of the sources. The ISO tree has at most eight
levels: a folder whose children would be on the ninth is put into ``/DEEP``
instead, under a short name of its own, with everything below it (and again, if
that is still too deep). So every file is in both trees, and the long tree shows
where it belongs.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from operator import itemgetter
from typing import Any, NamedTuple

from msgspec import Struct, field

from mediashelf.building.naming.names import HostName, assign_long_names, assign_short_names
from mediashelf.building.tree import DiscFile, DiscFolder

MAX_LEVELS = 8
"""Levels of the ISO tree, the root being the first (ECMA-119 6.8.2.1); files count as well."""

MOVED_FOLDERS = "DEEP"
INDEX_PAGE = "INDEX.TXT"
HTML_PAGE = "INDEX.HTM"
BOOT_IMAGE = "BOOT.IMG"
BOOT_CATALOG = "BOOT.CAT"

_new: Callable[..., Any] = tuple.__new__
_OURS = "\0"  # tells our own names from equal names of the sources, and sorts nowhere


class Child(NamedTuple):
    """One record of a directory: a file, or a directory."""

    name: str
    identifier: bytes
    item: DiscFile | PlannedDirectory


class PlannedDirectory(Struct):
    """One directory of one tree; ``path`` is empty for the root.

    ``children`` are in recorded order. ``number`` (its place in
    the path table), ``lba`` and ``size`` (bytes of its records, whole sectors) are set by
    the layout.
    """

    folder: DiscFolder
    parent: PlannedDirectory | None = None
    path: str = ""
    identifier: bytes = b"\x00"
    children: list[Child] = field(default_factory=list)
    number: int = 1
    lba: int = 0
    size: int = 0

    def iter_level_by_level(self) -> Iterator[PlannedDirectory]:
        """Yield this directory and all below; within a level as their parents list them."""
        level = [self]
        while level:
            yield from level
            level = [below for directory in level for below in directory.iter_directories()]

    def iter_directories(self) -> Iterator[PlannedDirectory]:
        """Yield the directories among the children."""
        for child in self.children:
            if isinstance(child.item, PlannedDirectory):
                yield child.item


class NamedTrees(NamedTuple):
    """Both trees; ``moved`` are the directories of the ISO tree that are in ``/DEEP``."""

    iso: PlannedDirectory
    joliet: PlannedDirectory
    moved: list[PlannedDirectory]
    long_paths: dict[int, str]  # by id() of the folder

    def long_path(self, directory: PlannedDirectory) -> str:
        """Return a directory's path in the Joliet tree; ``/DEEP`` itself has none."""
        return self.long_paths.get(id(directory.folder), "")


KnownNames = dict[tuple[object, ...], list[tuple[HostName, str, bytes]]]
"""The names in folders that were named before, for whoever names the same folders again."""


def name_trees(
    root: DiscFolder, own_files: Iterable[DiscFile], known: KnownNames | None = None
) -> NamedTrees:
    """Name everything in both trees, and give every file its two paths.

    ``own_files`` (index page, boot image, boot catalog) go into the root, and
    give way to source files of their names. ``known`` is filled, and used.
    """
    own: dict[HostName, DiscFile | DiscFolder] = {
        HostName(file.name, tie=_OURS): file for file in own_files
    }
    long_root, directories = _grow(root, own, _LONG, known)
    long_paths = {id(directory.folder): directory.path for directory in directories}
    too_deep = _too_deep(root)
    deep = DiscFolder(MOVED_FOLDERS, modified=max((f.modified for f in too_deep), default=0))
    if too_deep:
        deep.folders = {long_paths[id(folder)]: folder for folder in too_deep}
        own[HostName(MOVED_FOLDERS, is_folder=True, tie=_OURS)] = deep
    short_root, directories = _grow(root, own, _SHORT, known, deep)
    moved = []
    if too_deep:
        (in_place,) = (one for one in directories if one.folder is deep)
        moved = list(in_place.iter_directories())
    return NamedTrees(short_root, long_root, moved, long_paths)


def _too_deep(root: DiscFolder) -> list[DiscFolder]:
    """Return the folders whose children would be below the last level."""
    found = []
    waiting = [(root, 1)]
    while waiting:
        folder, level = waiting.pop()
        for child in folder.folders.values():
            if level + 1 < MAX_LEVELS or not (child.folders or child.files):
                waiting.append((child, level + 1))
            else:
                found.append(child)
                waiting.append((child, 3))  # below /DEEP
    return found


class _Naming(NamedTuple):
    """How one tree names what a directory holds."""

    is_long: bool
    assign: Callable[..., dict[HostName, str]]
    identifier: Callable[[str, bool], bytes]


def _short_identifier(name: str, is_folder: bool) -> bytes:
    # ECMA-119 7.5.1: both separators and the version are always there for files.
    return (name if is_folder else f"{name};1" if "." in name else f"{name}.;1").encode("ascii")


def _long_identifier(name: str, is_folder: bool) -> bytes:
    return name.encode("utf-16-be")


def _grow(
    root: DiscFolder,
    own: dict[HostName, DiscFile | DiscFolder],
    naming: _Naming,
    known: KnownNames | None,
    deep: DiscFolder | None = None,
) -> tuple[PlannedDirectory, list[PlannedDirectory]]:
    """Name everything below ``root``; what ``deep`` holds is left out of its own place.

    Returns the root's directory, and all of them in any order.
    """
    elsewhere = {id(folder) for folder in deep.folders.values()} if deep else set()
    top = PlannedDirectory(root)
    directories = [top]
    for directory in directories:
        items = dict(_items(directory.folder))
        if elsewhere and directory.folder is not deep:
            items = {host: item for host, item in items.items() if id(item) not in elsewhere}
        rows = _names_in(items, own if directory is top else {}, naming, known)
        if directory is top:
            items |= own
        path, children = directory.path, directory.children
        for host, name, identifier in rows:
            item = items[host]
            if isinstance(item, DiscFolder):
                below = PlannedDirectory(item, directory, f"{path}/{name}", identifier)
                directories.append(below)
                children.append(Child(name, identifier, below))
            else:
                if naming.is_long:
                    item.long_folder, item.long_name = path, name
                else:
                    item.short_folder, item.short_name = path, name
                children.append(_new(Child, (name, identifier, item)))
    return top, directories


def _names_in(
    items: Collection[HostName],
    own: Collection[HostName],
    naming: _Naming,
    known: KnownNames | None,
) -> list[tuple[HostName, str, bytes]]:
    """Return what one directory holds as it is recorded: host name, name, identifier."""
    key = (naming.is_long, *items, *own)  # those that are our own say so
    found = known.get(key) if known is not None else None
    if found is None:
        names = naming.assign(items)
        if own:
            names |= naming.assign(own, taken=names.values())
        identifier = naming.identifier
        in_order = sorted(names.items(), key=itemgetter(1))
        found = [(host, name, identifier(name, host.is_folder)) for host, name in in_order]
        if known is not None:
            known[key] = found
    return found


def _items(folder: DiscFolder) -> Iterable[tuple[HostName, DiscFile | DiscFolder]]:
    for key, child in folder.folders.items():
        # Moved folders are kept under their long paths, as their names may be equal.
        yield HostName(child.name, is_folder=True, tie="" if key == child.name else key), child
    for file in folder.files.values():
        yield HostName(file.name), file


# Names are sorted as they are, and so are the records of a directory:
#
# - ECMA-119 9.3 compares file names, then extensions, both padded with spaces, which sort before
#   every character that a short name can hold. So ``README`` comes before ``README.1``, which a
#   comparison of whole identifiers (``README.;1``) gets wrong, and which old CD-ROM extensions of
#   DOS depend on (Microsoft KB Q123408). The dot sorts before every such character as well.
# - Joliet changes only the filler of 9.3, but its names hold any number of dots and its
#   directories hold them as well; path tables sort whole identifiers. By 16-bit characters, dots
#   and all, is the one order that suits records and path tables (common practice).
_SHORT = _Naming(False, assign_short_names, _short_identifier)
_LONG = _Naming(True, assign_long_names, _long_identifier)
