"""The files of a plan, or of its sources, as a target sees them: each is made when asked for."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property

from mediashelf.building.tree import Content, DiscFile
from mediashelf.drivers.packages.tree import TreeFile
from mediashelf.sequences import MadeSequence

_PLACE = 32  # bits of a file's number beside the hash of its name


class _Names:
    """Files by their folders and names in one tree, found again letter case aside."""

    def __init__(self, folders: Iterable[str], names: Iterable[str]) -> None:
        numbers: dict[str, int] = {}
        self._above = array("I", [numbers.setdefault(each, len(numbers)) for each in folders])
        self._folders = list(numbers)
        self._known: dict[str, dict[str, int]] = {}  # the files of folders that were asked for
        self.names = list(names)

    def path(self, number: int) -> str:
        """Return the path of a file."""
        return f"{self._folders[self._above[number]]}/{self.names[number]}"

    def find(self, path: str) -> int | None:
        """Return the number of the first file of this path, letter case aside."""
        above, slash, name = path.lower().rpartition("/")
        if not slash:
            return None
        known = self._known.get(above)
        if known is None:
            known = self._known[above] = {}
            for number in self._inside.get(above, ()):
                known.setdefault(self.names[number].lower(), number)
        return known.get(name)

    def find_exactly(self, path: str) -> int:
        """Return the number of the file of just this path, which is there."""
        number = self.find(path)
        if number is None or self.path(number) != path:
            inside = self._inside[path.rpartition("/")[0].lower()]
            number = next(each for each in inside if self.path(each) == path)
        return number

    def find_names(self, name: str) -> Iterator[int]:
        """Yield the numbers of all files of this name, letter case aside."""
        name = name.lower()
        key = _hash(name)
        for at in range(bisect_left(self._by_name, key), len(self._by_name)):
            if self._by_name[at] >> _PLACE != key >> _PLACE:
                break
            number = self._by_name[at] - key
            if self.names[number].lower() == name:
                yield number

    @cached_property
    def _inside(self) -> dict[str, array[int]]:
        each = [array("I") for _ in self._folders]
        for number, above in enumerate(self._above):
            each[above].append(number)
        inside: dict[str, array[int]] = {}
        for folder, numbers in zip(self._folders, each, strict=True):
            others = inside.get(folder.lower())
            merged = numbers if others is None else array("I", sorted([*others, *numbers]))
            inside[folder.lower()] = merged
        return inside

    @cached_property
    def _by_name(self) -> array[int]:
        """The hash of each name in lower case with the number of its file."""
        every = enumerate(self.names)
        return array("q", sorted(_hash(name.lower()) | number for number, name in every))


def _hash(name: str) -> int:
    return (hash(name) & 0x7FFF_FFFF) << _PLACE


class PlacedFiles(MadeSequence[TreeFile]):
    """Answers what :class:`~.listed_files.ListedFiles` answers; ``files`` in their order there.

    ``seen`` are the folders and names that a target sees, ``hidden`` those that it does not.
    """

    def __init__(
        self,
        files: Sequence[DiscFile],
        seen: tuple[Iterable[str], Iterable[str]],
        hidden: tuple[Iterable[str], Iterable[str]] | None = None,
    ) -> None:
        self._files = files
        self._named: dict[str, list[TreeFile]] = {}  # of names that were asked for
        self._seen = _Names(*seen)
        self._hidden = _Names(*hidden) if hidden is not None else None

    def __len__(self) -> int:
        return len(self._files)

    def make(self, place: int) -> TreeFile:
        hidden_path = self._hidden.path(place) if self._hidden is not None else ""
        return TreeFile(self._seen.path(place), self._files[place].own.size, hidden_path)

    def content(self, file: TreeFile) -> Content | None:
        """Return the source of one of these, None for our own pages."""
        placed = self._files[self._seen.find_exactly(file.path)]
        return None if placed.is_made else placed.own

    @property
    def seen_count(self) -> int:
        """How many the target sees."""
        return len(self._files)

    def iter_ending(self, ends: tuple[str, ...]) -> Iterator[TreeFile]:
        """Yield the files whose names end so in lower case, in their order."""
        every = enumerate(self._seen.names)
        return (self.make(number) for number, name in every if name.lower().endswith(ends))

    def find(self, path: str) -> TreeFile | None:
        """Return the first file that the target sees at this path, letter case aside."""
        return self._made(self._seen.find(path))

    def find_hidden(self, path: str) -> TreeFile | None:
        """Return the first file at this path of the other tree, letter case aside."""
        return self._made(self._hidden.find(path) if self._hidden is not None else None)

    def find_names(self, name: str) -> list[TreeFile]:
        """Return all files of this name that the target sees, letter case aside."""
        name = name.lower()
        if name not in self._named:  # thousands of packages may ask for a name of as many files
            self._named[name] = list(map(self.make, self._seen.find_names(name)))
        return self._named[name]

    def find_name(self, name: str) -> TreeFile | None:
        """Return the first of the same files."""
        return self._made(next(self._seen.find_names(name), None))

    def _made(self, number: int | None) -> TreeFile | None:
        return None if number is None else self.make(number)
