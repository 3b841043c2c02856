"""The two trees of a disc: which directory holds what, under which name, in which order.

The Joliet tree has the depth of the sources. The ISO tree has at most eight
levels: a folder whose children would be on the ninth is put into ``/DEEP``
instead, under a short name of its own, with everything below it (and again, if
that is still too deep). So every file is in both trees, and the long tree shows
where it belongs.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Collection, Iterable
from operator import itemgetter
from typing import Any, NamedTuple

from mediashelf.building.naming.directory import PlannedDirectory
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


class NamedTrees(NamedTuple):
    """Both trees; ``moved`` are the directories of the ISO tree that are in ``/DEEP``."""

    iso: PlannedDirectory
    joliet: PlannedDirectory
    moved: list[PlannedDirectory]
    long_paths: dict[int, str]  # by id() of the folder

    def long_path(self, directory: PlannedDirectory) -> str:
        """Return a directory's path in the Joliet tree; ``/DEEP`` itself has none."""
        return self.long_paths.get(id(directory.folder), "")

    def let_go(self) -> None:
        """Forget what directories hold, when they are not needed any more.

        They point to each other, and garbage in circles can stay for long.
        """
        waiting = [self.iso, self.joliet]
        while waiting:
            directory = waiting.pop()
            waiting += directory.iter_directories()
            directory.items.clear()


KnownNames = dict[tuple[object, ...], tuple["array[int]", list[str]]]
"""The names in folders that were named before, for whoever names the same folders again.

In recorded order, with the place of each among what the folder holds.
"""


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
    long_root, directories = _grow(root, own, known, is_long=True)
    long_paths = {id(directory.folder): directory.path for directory in directories}
    too_deep = _too_deep(root)
    deep = DiscFolder(MOVED_FOLDERS, modified=max((f.modified for f in too_deep), default=0))
    if too_deep:
        deep.folders = {long_paths[id(folder)]: folder for folder in too_deep}
        own[HostName(MOVED_FOLDERS, is_folder=True, tie=_OURS)] = deep
    short_root, directories = _grow(root, own, known, deep, is_long=False)
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


def _grow(
    root: DiscFolder,
    own: dict[HostName, DiscFile | DiscFolder],
    known: KnownNames | None,
    deep: DiscFolder | None = None,
    *,
    is_long: bool,
) -> tuple[PlannedDirectory, list[PlannedDirectory]]:
    """Name everything below ``root``; what ``deep`` holds is left out of its own place.

    Returns the root's directory, and all of them in any order.
    """
    elsewhere = {id(folder) for folder in deep.folders.values()} if deep else set()
    top = PlannedDirectory(root, is_long)
    directories = [top]
    for directory in directories:
        items = dict(_items(directory.folder))
        if elsewhere and directory.folder is not deep:
            items = {host: item for host, item in items.items() if id(item) not in elsewhere}
        rows = _names_in(items, own if directory is top else {}, known, is_long=is_long)
        if directory is top:
            items |= own
        path = directory.path
        directory.names = [name for _, name in rows]
        for host, name in rows:
            item = items[host]
            if isinstance(item, DiscFolder):
                # The identifier of a directory is its name in either tree.
                identifier = name.encode("utf-16-be" if is_long else "ascii")
                below = PlannedDirectory(item, is_long, directory, f"{path}/{name}", identifier)
                directories.append(below)
                directory.items.append(below)
                continue
            if is_long:
                item.long_folder, item.long_name = path, name
            else:
                item.short_folder, item.short_name = path, name
            directory.items.append(item)
    return top, directories


def _names_in(
    items: Collection[HostName],
    own: Collection[HostName],
    known: KnownNames | None,
    *,
    is_long: bool,
) -> list[tuple[HostName, str]]:
    """Return what one directory holds as it is recorded: host names and names.

    Names are sorted as they are, and so are the records of a directory:

    - ECMA-119 9.3 compares file names, then extensions, both padded with spaces, which sort before
      every character that a short name can hold. So ``README`` comes before ``README.1``, which a
      comparison of whole identifiers (``README.;1``) gets wrong, and which old CD-ROM extensions
      of DOS depend on (Microsoft KB Q123408). The dot sorts before every such character as well.
    - Joliet changes only the filler of 9.3, but its names hold any number of dots and its
      directories hold them as well; path tables sort whole identifiers. By 16-bit characters, dots
      and all, is the one order that suits records and path tables (common practice).
    """
    hosts = [*items, *own]
    key: tuple[object, ...] = ()
    if known is not None:
        names, kinds, ties = zip(*hosts, strict=True) if hosts else ((), (), ())
        key = (is_long, names, bytes(kinds), ties if any(ties) else ())  # ours have ties
        if key in known:
            order, recorded = known[key]
            return list(zip(map(hosts.__getitem__, order), recorded, strict=True))
    assign = assign_long_names if is_long else assign_short_names
    assigned = assign(items)
    if own:
        assigned |= assign(own, taken=assigned.values())
    found = sorted(assigned.items(), key=itemgetter(1))
    if known is not None:
        places = {host: at for at, host in enumerate(hosts)}
        order = array("I", [places[host] for host, _ in found])
        known[key] = order, [name for _, name in found]
    return found


def _items(folder: DiscFolder) -> Iterable[tuple[HostName, DiscFile | DiscFolder]]:
    for key, child in folder.folders.items():
        # Moved folders are kept under their long paths, as their names may be equal.
        yield HostName(child.name, is_folder=True, tie="" if key == child.name else key), child
    for file in folder.files.values():
        yield _new(HostName, (file.name, False, "")), file
