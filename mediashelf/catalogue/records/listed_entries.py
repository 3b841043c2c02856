"""The entries of a disc as they are recorded for searching: one list for all its trees."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from mediashelf.catalogue.rows import kept_number

NO_TWIN = -1
"""Stands in the column of twins for an entry that has none."""

_AT_ONCE = 20_000  # entries whose names are one text


class ListedEntry(NamedTuple):
    """One entry as searched: its folder (empty for the root), its name, the trees that hold it.

    ``twin`` is the number in the list of the same file or folder in a tree that cuts
    names less, None for the only or the least cut name.
    """

    folder: str
    name: str
    size: int
    marks: int
    twin: int | None = None


class ListedEntries:
    """Listed entries as columns, which take 40 bytes of each: there can be millions.

    ``paths`` are those of the folders; ``folders`` has the place of each entry's among them.
    """

    __slots__ = ("_names", "_twins", "folders", "marks", "paths", "sizes")

    def __init__(
        self,
        paths: Sequence[str] = (),
        folders: Sequence[int] = (),
        names: Sequence[str] = (),
        sizes: Sequence[int] = (),
        marks: bytes = b"",
        twins: Sequence[int] = (),
    ) -> None:
        self.paths, self.folders = paths, array("I", folders)
        starts = range(0, len(names), _AT_ONCE)
        self._names = ["/".join(names[start : start + _AT_ONCE]) for start in starts]
        self.sizes, self.marks, self._twins = size_column(sizes), marks, array("i", twins)

    @classmethod
    def of(cls, entries: Iterable[ListedEntry]) -> ListedEntries:
        """Return entries as columns."""
        rows = list(entries)
        paths = {path: number for number, path in enumerate(dict.fromkeys(row[0] for row in rows))}
        return cls(
            list(paths),
            [paths[row.folder] for row in rows],
            [row.name for row in rows],
            [row.size for row in rows],
            bytes([row.marks for row in rows]),
            [NO_TWIN if row.twin is None else row.twin for row in rows],
        )

    def __len__(self) -> int:
        return len(self.marks)

    def __iter__(self) -> Iterator[ListedEntry]:
        for start, names in self.iter_names():
            end = start + len(names)
            folders = [self.paths[number] for number in self.folders[start:end]]
            columns = (folders, names, self.sizes[start:end], self.marks[start:end])
            yield from map(ListedEntry, *columns, self.twins(start, end))

    def iter_names(self) -> Iterator[tuple[int, list[str]]]:
        """Yield the names in parts, each with the number of its first entry."""
        start = 0
        for text in self._names:
            names = text.split("/")  # which is in no name
            yield start, names
            start += len(names)

    def twins(self, start: int, end: int) -> list[int | None]:
        """Return the numbers of the twins of some entries."""
        return [None if twin == NO_TWIN else twin for twin in self._twins[start:end]]

    def count(self) -> int:
        """Return how many files and folders there are, each once, whatever names it has."""
        return self._twins.count(NO_TWIN)


def size_column(sizes: Sequence[int]) -> array[int]:
    """Return sizes in bytes as a column; one that SQLite cannot keep is the most that it can."""
    try:
        return array("q", sizes)
    except OverflowError:
        return array("q", map(kept_number, sizes))
