"""The records of one directory, column by column: there can be 50,000 of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import repeat
from typing import Any, NamedTuple, overload

_new: Callable[..., Any] = tuple.__new__


class DirectoryRecord(NamedTuple):
    """One directory record; ``at`` is its offset within the directory's data.

    ``lba`` is where the data starts: after the extended attribute record, if any.
    """

    at: int
    identifier: bytes
    lba: int
    size: int
    flags: int
    date: bytes


class RecordColumns(Sequence[DirectoryRecord]):
    """The records of a directory as columns, in their order; a record is made when it is asked for.

    Working on a column at once takes a fraction of the time of working on records.
    """

    __slots__ = ("dates", "flags", "identifiers", "lbas", "places", "sizes")

    def __init__(
        self,
        places: Sequence[int],
        identifiers: Sequence[bytes],
        lbas: Sequence[int],
        sizes: Sequence[int],
        flags: bytes,
        dates: Sequence[bytes],
    ) -> None:
        self.places, self.identifiers, self.lbas = places, identifiers, lbas
        self.sizes, self.flags, self.dates = sizes, flags, dates

    @classmethod
    def of(cls, records: Iterable[DirectoryRecord]) -> RecordColumns:
        """Return the columns of records."""
        columns = list(zip(*records, strict=True)) or [()] * 6
        places, identifiers, lbas, sizes, flags, dates = columns
        return cls(places, identifiers, lbas, sizes, bytes(flags), dates)

    def behind(self, count: int) -> RecordColumns:
        """Return the columns without the first records."""
        return RecordColumns(
            self.places[count:],
            self.identifiers[count:],
            self.lbas[count:],
            self.sizes[count:],
            self.flags[count:],
            self.dates[count:],
        )

    def __len__(self) -> int:
        return len(self.places)

    def __iter__(self) -> Iterator[DirectoryRecord]:
        columns = (self.places, self.identifiers, self.lbas, self.sizes, self.flags, self.dates)
        return map(_new, repeat(DirectoryRecord), zip(*columns, strict=True))

    @overload
    def __getitem__(self, index: int) -> DirectoryRecord: ...

    @overload
    def __getitem__(self, index: slice) -> list[DirectoryRecord]: ...

    def __getitem__(self, index: int | slice) -> DirectoryRecord | list[DirectoryRecord]:
        if isinstance(index, slice):
            return list(self)[index]
        return DirectoryRecord(
            self.places[index],
            self.identifiers[index],
            self.lbas[index],
            self.sizes[index],
            self.flags[index],
            self.dates[index],
        )

    def __eq__(self, other: object) -> bool:
        if isinstance(other, RecordColumns | list | tuple):
            return list(self) == list(other)
        return NotImplemented

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"RecordColumns.of({list(self)!r})"
