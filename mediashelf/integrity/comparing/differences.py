"""What differs between two trees as columns: each difference is made for whoever asks for it."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from enum import StrEnum

from msgspec import Struct

from mediashelf.integrity.comparing.pairing import Side
from mediashelf.sequences import MadeSequence


class Difference(StrEnum):
    """How an entry differs between A and B."""

    ONLY_IN_A = "only-in-a"
    ONLY_IN_B = "only-in-b"
    CHANGED = "changed"
    MOVED = "moved"  # the same bytes in another folder
    RENAMED = "renamed"  # the same bytes in the same folder, under another name
    NOT_COMPARED = "not-compared"  # the bytes of one of them cannot be had


class EntryDifference(Struct, frozen=True):
    """One file or folder that is not the same in A and B.

    ``path`` is its path in A and ``other_path`` in B, empty where it is not there.
    ``first_difference`` is the first byte that differs between files of one size;
    ``reason`` says in words why nothing was compared, or what else is different.
    """

    kind: Difference
    path: str
    other_path: str
    size: int | None = None
    other_size: int | None = None
    is_folder: bool = False
    first_difference: int | None = None
    reason: str = ""


_KINDS = tuple(Difference)
_NOWHERE = -1  # stands for the number of an entry that is not on this side


class Differences(MadeSequence[EntryDifference]):
    """Differences in the order in which they were added."""

    def __init__(self, one: Side, other: Side) -> None:
        self._sides = one, other
        self._kinds = bytearray()
        self._numbers = array("i")
        self._other_numbers = array("i")
        self._first_bytes: dict[int, int] = {}
        self._reasons: dict[int, str] = {}

    def add(
        self,
        kind: Difference,
        number: int = _NOWHERE,
        other_number: int = _NOWHERE,
        *,
        at: int | None = None,
        reason: str = "",
    ) -> None:
        """Add a difference of an entry, known by its number on each side that has it."""
        if at is not None:
            self._first_bytes[len(self)] = at
        if reason:
            self._reasons[len(self)] = reason
        self._kinds.append(_KINDS.index(kind))
        self._numbers.append(number)
        self._other_numbers.append(other_number)

    def __len__(self) -> int:
        return len(self._kinds)

    @property
    def counts(self) -> dict[Difference, int]:
        """How many are of each kind."""
        return {kind: self._kinds.count(number) for number, kind in enumerate(_KINDS)}

    def of_kind(self, kind: Difference) -> Sequence[EntryDifference]:
        """Return those of one kind, made when they are asked for."""
        wanted = _KINDS.index(kind)
        return _Some(self, array("I", [at for at, one in enumerate(self._kinds) if one == wanted]))

    def make(self, place: int) -> EntryDifference:
        numbers = self._numbers[place], self._other_numbers[place]
        first, second = (
            None if number == _NOWHERE else side[number]
            for side, number in zip(self._sides, numbers, strict=True)
        )
        return EntryDifference(
            _KINDS[self._kinds[place]],
            first.path if first is not None else "",
            second.path if second is not None else "",
            first.size if first is not None else None,
            second.size if second is not None else None,
            all(one.is_folder for one in (first, second) if one is not None),
            self._first_bytes.get(place),
            self._reasons.get(place, ""),
        )


class _Some(MadeSequence[EntryDifference]):
    def __init__(self, differences: Differences, places: Sequence[int]) -> None:
        self._differences, self._places = differences, places

    def __len__(self) -> int:
        return len(self._places)

    def make(self, place: int) -> EntryDifference:
        return self._differences.make(self._places[place])
