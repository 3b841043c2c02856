"""The records of one directory, column by column: there can be 50,000 of them."""

from __future__ import annotations

import struct
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import repeat
from operator import add, mul
from typing import Any, NamedTuple

from mediashelf.formats.iso.directories.record_problems import FIXED_SIZE
from mediashelf.formats.volume import SECTOR_SIZE
from mediashelf.sequences import MadeSequence

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


# Where the same byte of a number is in both byte orders, in a body.
_COPIES = (
    *((1, 8), (2, 7), (3, 6), (4, 5)),
    *((9, 16), (10, 15), (11, 14), (12, 13)),
    *((27, 30), (28, 29)),
)
_BODY_SIZE = 31  # of a record: what it says beside its length and that of its identifier


class Bodies(NamedTuple):
    """What the bodies of many records say; ``furthest`` is where the last extent ends."""

    lbas: array[int]
    sizes: array[int]
    flags: bytes
    dates: tuple[bytes, ...]
    furthest: int
    is_usual: bool  # no file is interleaved or on another disc


_MOST_KEPT = 4 << 20  # bytes of bodies that are kept: more than 100,000 records


class BodyReader:
    """Reads the bodies of the records of a directory at once; what was read before is known.

    Most writers record the files of a folder in the same order in each tree. Of a large disc
    only the first folders are kept: reading the others again takes less than their memory.
    """

    def __init__(self) -> None:
        self._left = _MOST_KEPT
        self._known: dict[tuple[bytes, int, int], Bodies | None] = {}

    def read(self, bodies: bytes, block_size: int, sequence_number: int) -> Bodies | None:
        """Return what bodies say, None where both copies of a number differ.

        None as well where a record has an extended attribute record.
        """
        key = bodies, block_size, sequence_number
        if key in self._known:
            return self._known[key]
        found = _read_bodies(*key)
        self._left -= len(bodies)
        if self._left >= 0:
            self._known[key] = found
        return found

    def forget(self) -> None:
        """Let go of what is known."""
        self._known.clear()


def _read_bodies(data: bytes, block_size: int, sequence_number: int) -> Bodies | None:
    columns = [data[place::_BODY_SIZE] for place in range(_BODY_SIZE)]
    count = len(columns[0])
    if columns[0].strip(b"\0") or any(columns[one] != columns[other] for one, other in _COPIES):
        return None
    lbas = array("I", struct.unpack(f"<{count}I", _rows(columns[1:5])))
    sizes = array("I", struct.unpack(f"<{count}I", _rows(columns[9:13])))
    reaches: Iterable[int] = map(add, map(mul, lbas, repeat(block_size)), sizes)
    if 0 in sizes:  # the location of an empty file means nothing
        reaches = (reach for reach, size in zip(reaches, sizes, strict=True) if size)
    low, high = sequence_number.to_bytes(2, "little")
    is_usual = not (columns[25] + columns[26]).strip(b"\0") and (
        set(columns[27]) == {low} and set(columns[28]) == {high}
    )
    dates = _dates(columns[17:24], count)
    return Bodies(lbas, sizes, columns[24], dates, max(reaches, default=0), is_usual)


def _rows(columns: Sequence[bytes]) -> bytearray:
    rows = bytearray(len(columns) * len(columns[0]))
    for place, column in enumerate(columns):
        rows[place :: len(columns)] = column
    return rows


def _dates(columns: Sequence[bytes], count: int) -> tuple[bytes, ...]:
    """Return the date of each record; equal ones are one value."""
    if all(column == column[:1] * count for column in columns):
        return (b"".join([column[:1] for column in columns]),) * count
    shared: dict[bytes, bytes] = {}
    dates = [date for (date,) in struct.iter_unpack("7s", _rows(columns))]
    return tuple(map(shared.setdefault, dates, dates))


def packed_alike(data: bytes, places: Sequence[int]) -> tuple[bytes, int]:
    """Return the bytes of records that are all of one length, without gaps, and that length.

    Nothing and 0 where they are not, or where a sector could hold one more than it does.
    """
    first, count, width = places[0], len(places), data[places[0]]
    if first >= SECTOR_SIZE or data[places[-1]] != width:
        return b"", 0
    in_first, in_others = (SECTOR_SIZE - first) // width, SECTOR_SIZE // width
    others = range(SECTOR_SIZE, len(data), SECTOR_SIZE)
    runs = [data[at : at + in_others * width] for at in others]
    packed = b"".join([data[first : first + in_first * width], *runs])[: count * width]
    # Where all lengths are right, and the last record is where so many end, none is between them.
    last = first + (count - 1) * width
    if count > in_first:
        sector, row = divmod(count - in_first - 1, in_others)
        last = (sector + 1) * SECTOR_SIZE + row * width
    are_alike = last == places[-1] and packed[::width] == bytes([width]) * count
    return (packed, width) if are_alike else (b"", 0)


class ReadColumns(NamedTuple):
    """Of many records: lengths, those of identifiers, these, bodies, and padding bytes."""

    lengths: bytes
    sizes: bytes
    identifiers: list[bytes]
    bodies: bytes
    paddings: bytes


def read_columns(data: bytes, places: list[int]) -> ReadColumns:
    """Return what the records of a directory are made of; ``places`` are where they begin."""
    alike = _read_alike(data, places)
    if alike is not None:
        return alike
    lengths = bytes(map(data.__getitem__, places))
    sizes = bytes([data[at + FIXED_SIZE - 1] for at in places])
    ends = [at + FIXED_SIZE + size for at, size in zip(places, sizes, strict=True)]
    return ReadColumns(
        lengths,
        sizes,
        [data[end - size : end] for end, size in zip(ends, sizes, strict=True)],
        b"".join([data[at + 1 : at + FIXED_SIZE - 1] for at in places]),
        bytes(
            [
                data[end]
                for at, end, size, length in zip(places, ends, sizes, lengths, strict=True)
                if not size % 2 and at + length > end
            ]
        ),
    )


def _read_alike(data: bytes, places: list[int]) -> ReadColumns | None:
    """Return the same of records of one length, whose identifiers are so as well, else None."""
    packed, width = packed_alike(data, places)
    sizes = packed[FIXED_SIZE - 1 :: width] if width else b""
    size, rest = (sizes[0], width - FIXED_SIZE - sizes[0]) if sizes else (0, -1)
    if rest < 0 or sizes.count(size) < len(places):
        return None
    rows = struct.iter_unpack(f"x31sx{size}s{rest}x", packed)
    bodies, identifiers = zip(*rows, strict=True)
    paddings = packed[FIXED_SIZE + size :: width] if rest and not size % 2 else b""
    lengths = bytes([width]) * len(places)
    return ReadColumns(lengths, sizes, list(identifiers), b"".join(bodies), paddings)


class RecordColumns(MadeSequence[DirectoryRecord]):
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

    def make(self, place: int) -> DirectoryRecord:
        return DirectoryRecord(
            self.places[place],
            self.identifiers[place],
            self.lbas[place],
            self.sizes[place],
            self.flags[place],
            self.dates[place],
        )

    def __eq__(self, other: object) -> bool:
        if isinstance(other, RecordColumns | list | tuple):
            return list(self) == list(other)
        return NotImplemented

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"RecordColumns.of({list(self)!r})"
