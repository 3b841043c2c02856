"""The files of a disc as one target sees them, kept as columns: paths are made when asked for."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from functools import cached_property
from itertools import compress

from msgspec import Struct

from mediashelf.drivers.packages.numbered_names import NumberedNames
from mediashelf.formats.pairing.tree_pairs import NO_PARTNER, pair_files
from mediashelf.formats.volume import Extent, VolumeFacts, ends_outside
from mediashelf.sequences import MadeSequence

_FEW = 1000
"""Entries of a disc whose names are kept as they are compared: they are asked for many times."""


class TreeFile(Struct, frozen=True, gc=False):
    """One file. Paths are absolute in the tree, parts joined by ``/``.

    ``path`` is where the target sees it, empty when it does not. ``hidden_path`` is
    its path in the tree that the target does not read, empty when it is in none.
    ``is_cut`` tells that the image ends before the file does.
    """

    path: str
    size: int
    hidden_path: str = ""
    is_cut: bool = False

    @property
    def shown_path(self) -> str:
        """The path for people: the target's where there is one."""
        return self.path or self.hidden_path

    @property
    def name(self) -> str:
        """The last part of the path that is shown."""
        path = self.path or self.hidden_path
        return path[path.rfind("/") + 1 :]


class DiscFiles(MadeSequence[TreeFile]):
    """The files of the tree that a target reads, then those that only another tree has.

    Each is made of columns when it is asked for: a disc can have a million.
    """

    def __init__(self, seen: VolumeFacts, hidden: VolumeFacts | None, disc_size: int) -> None:
        self._block_size, self._disc_size = seen.block_size, disc_size
        self._seen = NumberedNames(seen)
        self._hidden = NumberedNames(hidden) if hidden is not None else None
        self._named: dict[str, list[TreeFile]] = {}  # of names that were asked for
        self._twins = array("i", [NO_PARTNER]) * len(self._seen)  # numbers in the other tree
        self._backs = array("i")  # from there
        if hidden is not None:
            pairs = pair_files(seen, hidden)
            self._twins = pairs.partners
            self._backs = array("i", [NO_PARTNER]) * len(hidden.entries)
            for number, twin in pairs.iter_numbers():
                self._twins[number], self._backs[twin] = twin, number

    @cached_property
    def seen_count(self) -> int:
        """How many the target sees."""
        return sum(len(numbers) for numbers, _ in self._seen.iter_files())

    @cached_property
    def _numbers(self) -> array[int]:
        """The number of each file: from 0 in the tree that is seen, below 0 in the other."""
        numbers = array("i")
        for some, _ in self._seen.iter_files():
            numbers.extend(some)
        for some, _ in self._iter_hidden():
            numbers.extend(-1 - number for number in some)
        return numbers

    def _iter_hidden(self) -> Iterator[tuple[Sequence[int], Sequence[str]]]:
        """Yield the numbers and names of the files of each folder that only the other tree has."""
        for numbers, names in self._hidden.iter_files() if self._hidden is not None else ():
            is_alone = [self._backs[number] == NO_PARTNER for number in numbers]
            if any(is_alone):
                yield list(compress(numbers, is_alone)), list(compress(names, is_alone))

    def __len__(self) -> int:
        return len(self._numbers)

    def make(self, place: int) -> TreeFile:
        return self._make(self._numbers[place])

    def _make(self, number: int) -> TreeFile:
        if number < 0:
            assert self._hidden is not None
            folder, at = self._hidden.place(-1 - number)
            return TreeFile("", folder.sizes[at], f"{folder.path}/{folder.names[at]}")
        folder, at = self._seen.place(number)
        size, twin = folder.sizes[at], self._twins[number]
        if folder.extents is not None:
            extents = folder.extents[at]
        else:
            extents = (Extent(folder.lbas[at], size),) if size else ()
        return TreeFile(
            f"{folder.path}/{folder.names[at]}",
            size,
            self._hidden.path(twin) if self._hidden is not None and twin != NO_PARTNER else "",
            ends_outside(extents, self._block_size, self._disc_size),
        )

    def iter_ending(self, ends: tuple[str, ...]) -> Iterator[TreeFile]:
        """Yield the files whose names end so in lower case, in their order."""
        numbers, names = self._few
        pairs = zip(numbers, names.split("\n"), strict=True) if names else self._iter_lowered()
        for number, name in pairs:
            if name.endswith(ends):
                yield self._make(number)

    @cached_property
    def _few(self) -> tuple[array[int], str]:
        """The numbers of all files and the lines of their lowered names, where these are few."""
        if len(self._twins) + len(self._backs) > _FEW:
            return array("i"), ""
        numbers, names = list(zip(*self._iter_lowered(), strict=True)) or ((), ())
        together = "\n".join(names)
        return array("i", numbers), together if together.count("\n") < len(names) else ""

    def _iter_lowered(self) -> Iterator[tuple[int, str]]:
        for numbers, names in self._seen.iter_files():
            yield from zip(numbers, map(str.lower, names), strict=True)
        for numbers, names in self._iter_hidden():
            for number, name in zip(numbers, names, strict=True):
                yield -1 - number, name.lower()

    def find(self, path: str) -> TreeFile | None:
        """Return the first file that the target sees at this path, letter case aside."""
        numbers = self._seen.find(path)
        return self._make(numbers[0]) if numbers else None

    def find_hidden(self, path: str) -> TreeFile | None:
        """Return the first file at this path of the other tree, letter case aside."""
        numbers = self._hidden.find(path) if self._hidden is not None else ()
        backs = [self._backs[number] for number in numbers]
        seen = [back for back in backs if back != NO_PARTNER]
        if seen:
            return self._make(min(seen))
        return self._make(-1 - numbers[0]) if numbers else None

    def find_names(self, name: str) -> list[TreeFile]:
        """Return all files of this name that the target sees, letter case aside."""
        name = name.lower()
        if name not in self._named:  # thousands of packages may ask for a name of as many files
            self._named[name] = list(map(self._make, self._seen.find_names(name)))
        return self._named[name]

    def find_name(self, name: str) -> TreeFile | None:
        """Return the first of the same files; the others are not made."""
        number = next(self._seen.find_names(name), None)
        return self._make(number) if number is not None else None

    def entry_number(self, file: TreeFile) -> tuple[bool, int]:
        """Return whether a file is in the tree that is seen, and its entry's number in its tree.

        Of two files with one path it is that of the first.
        """
        names = self._seen if file.path or self._hidden is None else self._hidden
        return names is self._seen, names.find_first(file.shown_path)
