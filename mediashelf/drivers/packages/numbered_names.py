"""The entries of one tree by their numbers, found by path and by name; kept as columns."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from itertools import accumulate

from mediashelf.formats.entries import Folder, iter_folders
from mediashelf.formats.volume import VolumeFacts


class NumberedNames:
    """The entries of one tree by their numbers: which folder each is in, and where a path is."""

    def __init__(self, volume: VolumeFacts) -> None:
        self.folders: Sequence[Folder] = list(iter_folders(volume.entries))
        self.starts = array("I", accumulate([len(one.names) for one in self.folders], initial=0))
        self._known: dict[str, dict[str, int]] = {}
        self._more: dict[str, list[int]] = {}  # further files of one path, letter case aside

    def __len__(self) -> int:
        return self.starts[-1]

    def place(self, number: int) -> tuple[Folder, int]:
        """Return the folder of an entry, and its place there."""
        at = bisect_right(self.starts, number) - 1
        return self.folders[at], number - self.starts[at]

    def path(self, number: int) -> str:
        """Return the path of an entry."""
        folder, at = self.place(number)
        return f"{folder.path}/{folder.names[at]}"

    def iter_files(self) -> Iterator[tuple[Sequence[int], Sequence[str]]]:
        """Yield the numbers and names of the files of each folder."""
        for start, folder in zip(self.starts, self.folders, strict=False):
            numbers = range(start, start + len(folder.names))
            yield folder.of_files(numbers), folder.of_files(folder.names)

    @cached_property
    def _by_path(self) -> dict[str, list[int]]:
        found: dict[str, list[int]] = {}
        for number, folder in enumerate(self.folders):
            found.setdefault(folder.path.lower(), []).append(number)
        return found

    def find(self, path: str) -> Sequence[int]:
        """Return the numbers of the files of this path, letter case aside."""
        path = path.lower()
        above, _, name = path.rpartition("/")
        known = self._known.get(above)
        if known is None:
            folders = self._by_path.get(above)
            known = self._read_folders(above, folders) if folders is not None else {}
        number = known.get(name)
        return (number, *self._more.get(path, ())) if number is not None else ()

    def _read_folders(self, above: str, folders: Iterable[int]) -> dict[str, int]:
        """Learn the files of folders with one path; of most nobody asks."""
        known = self._known[above] = {}
        for folder_number in folders:
            folder = self.folders[folder_number]
            numbers = range(self.starts[folder_number], self.starts[folder_number + 1])
            for number, name in zip(
                folder.of_files(numbers), folder.of_files(folder.names), strict=True
            ):
                lower = name.lower()
                if known.setdefault(lower, number) != number:
                    self._more.setdefault(f"{above}/{lower}", []).append(number)
        return known

    def find_first(self, path: str) -> int:
        """Return the number of the first file of this path; ``KeyError`` where there is none."""
        numbers = self.find(path)
        if len(numbers) == 1:
            return numbers[0]
        if path not in self._firsts:
            self._firsts.update((self.path(number), number) for number in reversed(numbers))
        return self._firsts[path]

    @cached_property
    def _firsts(self) -> dict[str, int]:
        return {}

    @cached_property
    def _by_name(self) -> array[int]:
        """The files by their names: the hash of each in lower case, and its number."""
        pairs = (pair for columns in self.iter_files() for pair in zip(*columns, strict=True))
        return array("q", sorted(_hash(name.lower()) | number for number, name in pairs))

    def find_names(self, name: str) -> Iterator[int]:
        """Yield the numbers of all files of this name, letter case aside."""
        name = name.lower()
        key = _hash(name)
        for at in range(bisect_left(self._by_name, key), len(self._by_name)):
            if self._by_name[at] >> 32 != key >> 32:
                break
            number = self._by_name[at] & 0xFFFFFFFF
            folder, place = self.place(number)
            if folder.names[place].lower() == name:
                yield number


def _hash(name: str) -> int:
    return (hash(name) & 0x7FFFFFFF) << 32
