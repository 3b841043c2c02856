"""The records of one directory, column by column: there can be 50,000 of them."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import repeat
from operator import add, mul
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


# Extent, data length and date of the part of a record that BODY has, for many at once.
_NUMBERS = struct.Struct("<xI4xI4x7s7x")
# Where the same byte of a number is in both byte orders.
_COPIES = (
    *((1, 8), (2, 7), (3, 6), (4, 5)),
    *((9, 16), (10, 15), (11, 14), (12, 13)),
    *((27, 30), (28, 29)),
)
BODY = slice(1, 32)
"""What a record says beside its length and identifier: equal in each tree that has the file."""
_SIZE = BODY.stop - BODY.start


class Bodies(NamedTuple):
    """What the bodies of many records say; ``furthest`` is where the last extent ends."""

    lbas: tuple[int, ...]
    sizes: tuple[int, ...]
    flags: bytes
    dates: tuple[bytes, ...]
    furthest: int
    is_usual: bool  # no file is interleaved or on another disc


class BodyReader:
    """Reads the bodies of the records of a directory at once; what was read before is known.

    Most writers record the files of a folder in the same order in each tree.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[bytes, int, int], Bodies | None] = {}

    def read(self, data: bytes, block_size: int, sequence_number: int) -> Bodies | None:
        """Return what bodies say, None where both copies of a number differ.

        None as well where a record has an extended attribute record.
        """
        key = data, block_size, sequence_number
        if key not in self._known:
            self._known[key] = _read_bodies(*key)
        return self._known[key]

    def forget(self) -> None:
        """Let go of what is known."""
        self._known.clear()


def _read_bodies(data: bytes, block_size: int, sequence_number: int) -> Bodies | None:
    if data[::_SIZE].strip(b"\0"):
        return None
    if any(data[one::_SIZE] != data[other::_SIZE] for one, other in _COPIES):
        return None
    lbas, sizes, dates = zip(*_NUMBERS.iter_unpack(data), strict=True)
    reaches: Iterable[int] = map(add, map(mul, lbas, repeat(block_size)), sizes)
    if 0 in sizes:  # the location of an empty file means nothing
        reaches = (reach for reach, size in zip(reaches, sizes, strict=True) if size)
    shared = dict(zip(dates, dates, strict=True))
    dates = dates[:1] * len(dates) if len(shared) == 1 else tuple(map(shared.__getitem__, dates))
    low, high = sequence_number.to_bytes(2, "little")
    is_usual = not (data[25::_SIZE] + data[26::_SIZE]).strip(b"\0") and (
        set(data[27::_SIZE]) == {low} and set(data[28::_SIZE]) == {high}
    )
    return Bodies(lbas, sizes, data[24::_SIZE], dates, max(reaches, default=0), is_usual)


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
