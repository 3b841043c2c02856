"""What must stay on one disc when a recipe is spread over several.

============================  =========================================================
unit                          what makes it one
============================  =========================================================
package                       the outermost folder that holds an INF (``autorun.inf`` and
                              its like are none), with everything below it
declared package              all of a source with ``keep_together`` or ``provides``
joined packages               packages of which one needs files that stand in the other,
                              as whoever knows drivers says
folder                        the outermost folder without any INF, with everything below
                              it; taken apart, folder by folder, when no disc holds it
files                         what stands beside such folders; taken apart likewise
============================  =========================================================

A folder or files whose sources have different ``order`` are not one unit.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from mediashelf.building.tree import Content, DiscFile

Parts = tuple[str, ...]


class Placed(NamedTuple):
    """Files with the names of the folders that hold them, from the root down."""

    folder: Parts
    files: tuple[DiscFile, ...]


class Unit(Struct, frozen=True):
    """Files, and folders without any, that go on the same disc.

    ``top`` is the folder that holds all of it. ``order`` is the recipe's, ``origin``
    the number of its first source. ``placed`` are the files, those of one folder together and
    by their names; what is in ``folders`` is there with all that it holds. ``is_package`` is
    False for what may be taken apart. ``pieces`` are the units that were joined to this one.
    ``has_boot`` marks the boot image, which has no files here.
    """

    top: Parts
    order: int
    origin: int
    placed: tuple[Placed, ...]
    folders: tuple[Parts, ...]
    is_package: bool
    pieces: tuple[Unit, ...] = ()
    has_boot: bool = False

    @property
    def name(self) -> str:
        """The path of ``top`` on the disc, under the names of the host."""
        return "/" + "/".join(self.top)

    @property
    def size(self) -> int:
        """Bytes of all files."""
        return sum(file.own.size for file in self.iter_files())

    @property
    def file_count(self) -> int:
        """How many files it has."""
        return sum(len(placed.files) for placed in self.placed)

    def iter_files(self) -> Iterator[DiscFile]:
        """Yield the files, folder by folder."""
        for placed in self.placed:
            yield from placed.files

    def iter_contents(self) -> Iterator[Content]:
        """Yield the contents of the files, those of equal files once."""
        # Mostly few files are equal: only those are remembered.
        equal = {id(file.own.equal_to): file.own.equal_to for file in self.iter_files()}
        equal.pop(id(None), None)
        yield from filter(None, equal.values())
        for file in self.iter_files():
            if file.own.equal_to is None and id(file.own) not in equal:
                yield file.own

    @property
    def sequence(self) -> tuple[int, int, str, Parts]:
        """Sort key for the order of packages: the recipe's, then by source, then by name."""
        return self.order, self.origin, self.name.casefold(), self.top


def take_apart(unit: Unit) -> list[Unit]:
    """Return the smaller units that one unit can become: only itself for a package."""
    if unit.is_package:
        return [unit]
    depth = len(unit.top)
    below: defaultdict[Parts, list[Placed]] = defaultdict(list)
    for placed in unit.placed:
        below[placed.folder[: depth + 1]].append(placed)
    folders: defaultdict[Parts, list[Parts]] = defaultdict(list)
    for folder in unit.folders:
        folders[folder[: depth + 1]].append(folder)
    tops = dict.fromkeys((*below, *folders))
    tops.pop(unit.top, None)
    parts = [
        replace(
            unit,
            top=top,
            placed=tuple(below.get(top, ())),
            folders=tuple(folders.get(top, ())),
        )
        for top in tops
    ]
    own = below.get(unit.top, [])
    if parts and own:
        parts.append(replace(unit, placed=tuple(own), folders=()))
    else:
        alone = ((folder, file) for folder, files in own for file in files)
        parts += [replace(unit, placed=(Placed(at, (file,)),), folders=()) for at, file in alone]
    return sorted(parts, key=lambda part: part.sequence)
