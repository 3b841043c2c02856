"""The entries of a tree folder by folder, column by column; single ones are made when asked for.

A disc can have 100,000 entries in each of three trees. Whoever lists them needs a few
columns; a value for each entry takes several times as long, and is made for others only.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import accumulate, compress, groupby, repeat
from threading import Lock
from typing import Any, NamedTuple, TypeVar, overload

from mediashelf.collector import collector_paused
from mediashelf.formats.volume import Entry, Extent

_Value = TypeVar("_Value")
_new: Callable[..., Any] = tuple.__new__
_OTHERS = b"\1" + bytes(255)  # turns the mask of the folders into that of the files
_MAKING = Lock()  # held while entries are made of columns, which are let go meanwhile
_FEW = 1000  # entries whose columns stay beside them: whoever asks for these gets them at once


class Folder(NamedTuple):
    """Entries that follow each other and have the same parent; every column is as long.

    ``path`` is the parent's, empty for the root. ``are_folders`` has a one for each
    directory and a zero for each file. Where ``extents`` is None, every entry with a size
    is one extent, which begins at its ``lbas``; else ``lbas`` is empty.
    """

    path: str
    names: Sequence[str]
    identifiers: Sequence[str]
    sizes: Sequence[int]
    are_folders: bytes
    lbas: Sequence[int]
    extents: Sequence[tuple[Extent, ...]] | None
    dates: Sequence[bytes]
    flags: Sequence[int]
    record_offsets: Sequence[int]

    @classmethod
    def of(cls, path: str, entries: Sequence[Entry]) -> Folder:
        """Return the columns of entries that have this parent."""
        columns = list(zip(*entries, strict=True)) or [()] * len(Entry._fields)
        paths, identifiers, sizes, are_folders, extents, dates, flags, offsets = columns
        names = [each[len(path) + 1 :] for each in paths]
        mask = bytes(map(bool, are_folders))
        return cls(path, names, identifiers, sizes, mask, (), extents, dates, flags, offsets)

    @property
    def has_folders(self) -> bool:
        """Whether some entry is a directory."""
        return 1 in self.are_folders

    @property
    def packed_lbas(self) -> bytes:
        """The column of first blocks as a key, by which trees that share it find each other."""
        return array("q", self.lbas).tobytes()  # UDF: a partition begins anywhere in 32 bits

    @property
    def has_sections(self) -> bool:
        """Whether some file has several extents."""
        return self.extents is not None and any(len(each) > 1 for each in self.extents)

    def iter_paths(self) -> Iterator[str]:
        """Yield the path of each entry."""
        return map(f"{self.path}/".__add__, self.names)

    def iter_extents(self) -> Iterable[tuple[Extent, ...]]:
        """Return the extents of each entry."""
        if self.extents is not None:
            return self.extents
        single = map(_new, repeat(Extent), zip(self.lbas, self.sizes, repeat(0)))
        extents: Iterable[tuple[Extent, ...]] = zip(single, strict=True)
        if 0 in self.sizes:
            extents = [one if size else () for one, size in zip(extents, self.sizes, strict=True)]
        return extents

    def of_files(self, column: Sequence[_Value]) -> Sequence[_Value]:
        """Return what a column says of the files alone."""
        if 1 not in self.are_folders:
            return column
        return list(compress(column, self.are_folders.translate(_OTHERS)))

    def entry(self, index: int) -> Entry:
        """Return one of the entries."""
        size = self.sizes[index]
        if self.extents is not None:
            extents = self.extents[index]
        else:
            extents = (Extent(self.lbas[index], size),) if size else ()
        return Entry(
            f"{self.path}/{self.names[index]}",
            self.identifiers[index],
            size,
            bool(self.are_folders[index]),
            extents,
            self.dates[index],
            self.flags[index],
            self.record_offsets[index],
        )

    def entries(self) -> list[Entry]:
        """Return the entries themselves."""
        columns = (
            self.iter_paths(),
            self.identifiers,
            self.sizes,
            map(bool, self.are_folders),
            self.iter_extents(),
            self.dates,
            self.flags,
            self.record_offsets,
        )
        return list(map(_new, repeat(Entry), zip(*columns, strict=True)))


class Entries(Sequence[Entry]):
    """The entries of one tree: a sequence that is kept as columns until an entry is asked for.

    ``make`` turns a folder into its entries.
    """

    __slots__ = ("_ends", "_folders", "_length", "_made", "_make")

    def __init__(
        self, folders: Iterable[Folder], make: Callable[[Folder], list[Entry]] = Folder.entries
    ) -> None:
        self._folders = [folder for folder in folders if folder.names]
        self._length = sum([len(folder.names) for folder in self._folders])
        self._make, self._ends = make, list[int]()
        self._made: tuple[Entry, ...] | None = None

    def iter_folders(self) -> Iterator[Folder]:
        """Yield the folders that have entries, in the order of these."""
        folders = self._folders  # a list that never changes, but another may take its place
        if not folders and self._length:
            with _MAKING:
                if not self._folders:
                    return _group(self._made or ())
                folders = self._folders
        return iter(folders)

    def _all(self) -> tuple[Entry, ...]:
        if self._made is None:
            with _MAKING, collector_paused():
                if self._made is None:
                    made: list[Entry] = []
                    folders = self._folders[::-1]
                    if self._length > _FEW:
                        self._folders = []
                    while folders:  # what is done with is let go
                        made += self._make(folders.pop())
                    self._made = tuple(made)
        return self._made

    def __len__(self) -> int:
        return self._length

    def __iter__(self) -> Iterator[Entry]:
        return iter(self._all())

    @overload
    def __getitem__(self, index: int) -> Entry: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[Entry, ...]: ...

    def __getitem__(self, index: int | slice) -> Entry | tuple[Entry, ...]:
        if isinstance(index, int):
            with _MAKING:
                if self._made is None:  # a few are asked for one by one
                    return self._one(range(self._length)[index])
        return self._all()[index]

    def _one(self, index: int) -> Entry:
        self._ends = self._ends or list(accumulate(len(each.names) for each in self._folders))
        number = bisect_right(self._ends, index)
        folder = self._folders[number]
        return folder.entry(index - self._ends[number] + len(folder.names))

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Entries | tuple):
            return self is other or self._all() == tuple(other)
        return NotImplemented

    def __hash__(self) -> int:
        return hash(self._all())

    def __repr__(self) -> str:
        return repr(self._all())


def iter_folders(entries: Sequence[Entry]) -> Iterator[Folder]:
    """Yield entries folder by folder; a folder comes again where others came between."""
    return entries.iter_folders() if isinstance(entries, Entries) else _group(entries)


def list_paths(entries: Sequence[Entry]) -> list[str]:
    """Return the path of each entry, in their order."""
    return [path for folder in iter_folders(entries) for path in folder.iter_paths()]


def count_files(entries: Sequence[Entry]) -> int:
    """Return how many of them are not directories."""
    return sum(each.are_folders.count(0) for each in iter_folders(entries))


def _group(entries: Sequence[Entry]) -> Iterator[Folder]:
    for path, group in groupby(entries, lambda entry: entry[0].rpartition("/")[0]):
        yield Folder.of(path, list(group))
